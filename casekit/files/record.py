"""Reading a file as a record: what its schema says is wrong, in words of the trade, with the line.

In: a kind of record and a path, or what was read already. Out: the record and its `Source`, or a `ScenarioError`.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from casekit.error import ScenarioError, hint
from casekit.files.harness import CAVITIES
from casekit.files.source import Finding, Source, read

Kind = TypeVar("Kind", bound=BaseModel)


SINGULAR = {
    "sensors": "sensor",
    "supplies": "supply",
    "fuses": "fuse",
    "grounds": "ground",
    "inputs": "input",
    "connectors": "connector",
    "splices": "splice",
    "contact_points": "contact point",
    "operations": "operation",
}


def read_record(kind: type[Kind], path: Path | str) -> tuple[Kind, Source]:
    """Read a file as a record of this kind, whose first key is its name; with the lines on which everything stands."""
    key = next(iter(kind.model_fields))
    source = read(path, key)
    record = record_of(kind, source)
    slug = source.data[key]
    if slug != source.path.stem:
        raise ScenarioError(
            [source.say((key,), f"{slug} does not match the file name; name the file {slug}{source.path.suffix}.")]
        )
    return record, source


def record_of(kind: type[Kind], source: Source) -> Kind:
    """What was read as a record of this kind."""
    try:
        return kind.model_validate(source.data)
    except ValidationError as err:
        # An unknown key comes before the missing one it was meant to be.
        errors = sorted(err.errors(), key=lambda e: e["type"] == "missing")
        problems = [source.say(place, sentence) for place, sentence in map(_speak(source.data, _keys(kind)), errors)]
        raise ScenarioError(dict.fromkeys(problems)) from None


@lru_cache(maxsize=32)
def _keys(kind: type[BaseModel]) -> tuple[str, ...]:
    """All keys that a file of this kind may have anywhere, in order."""
    waiting, seen, found = [kind], set(), set()
    while waiting:
        some = waiting.pop()
        if isinstance(some, type) and issubclass(some, BaseModel) and some not in seen:
            seen.add(some)
            found |= set(some.model_fields)
            waiting += [field.annotation for field in some.model_fields.values()]
        waiting += get_args(some)
    return tuple(sorted(found))


def _speak(data: Any, known: Collection[str]):
    """Turn one pydantic error into (place, sentence); `known` are the keys there are."""

    def speak(err: dict[str, Any]) -> Finding:
        place: list[str | int] = []
        here = data
        for step in err["loc"]:
            if (isinstance(here, dict) and step in here) or (isinstance(here, list) and isinstance(step, int)):
                place.append(step)
                here = here[step]
        missing = err["loc"][-1] if err["loc"] else ""
        part = _part(data, place)
        key = str(place[-1]) if place else str(missing)
        kind = err["type"]
        if kind == "extra_forbidden":
            sentence = f"{part}: unknown key {key}.{hint(key, known)}"
        elif kind == "missing":
            sentence = f"{part}: the key {missing} is missing; add it."
        elif kind in ("union_tag_invalid", "union_tag_not_found"):
            given = here.get("type") if isinstance(here, dict) else None
            sentence = f"{part}: type is {given or 'missing'}; use one of {', '.join(CAVITIES)}.{hint(given, CAVITIES)}"
        elif kind == "value_error":
            sentence = f"{part}: {err['ctx']['error']}."
        elif kind in ("too_long", "too_short"):
            least, most = err["ctx"].get("min_length"), err["ctx"].get("max_length")
            bound = f"at most {most}" if kind == "too_long" else f"at least {least}"
            sentence = f"{part}: {key} has {len(here)} entries; give {bound}."
        elif kind == "string_pattern_mismatch" and " " in err["ctx"]["pattern"]:
            sentence = f"{part}: {err['input']} is not an operation; name it in small letters, as in raise boom."
        elif kind == "string_pattern_mismatch":
            sentence = (
                f"{part}: {err['input']} is not a name; names are capitals and digits as in B4 "
                "(a machine or case: small letters and hyphens)."
            )
        else:
            sentence = f"{part}: {key} is {err['input']!r}; {err['msg'][0].lower()}{err['msg'][1:]}."
        return tuple(place), sentence

    return speak


def _part(data: Any, place: list[str | int]) -> str:
    """The part a place belongs to, in trade words: `wire W5`, `sensor B4`, `supply V1`."""
    here, part = data, "file"
    for k, step in enumerate(place):
        parent = place[k - 1] if k else None
        here = here[step]
        if parent == "wires" and isinstance(here, dict) and isinstance(step, int):
            part = f"wire {here.get('wire', f'number {step + 1}')}"
        elif parent == "faults" and isinstance(step, int):
            part = f"fault {step + 1}"
        elif parent in SINGULAR and isinstance(step, str):
            part = f"{SINGULAR[parent]} {step}"
        elif isinstance(here, dict) and k == 0:
            part = str(step).replace("_", " ")
    return part

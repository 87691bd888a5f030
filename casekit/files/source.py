"""One YAML file, read safely, with the line each value stands on.

In: a path. Out: a `Source` (plain data and line numbers), or a `ScenarioError`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from casekit.error import ScenarioError, refused

MAX_BYTES = 1_000_000

Place = tuple[str | int, ...]
Finding = tuple[Place, str]  # where it stands, and a sentence


@dataclass(frozen=True)
class Source:
    """A file's data and, for every place in it, the line it starts on."""

    path: Path
    data: Any
    lines: dict[Place, int]

    def line(self, place: Place) -> int:
        """Line of `place`, or of the nearest place around it."""
        while place and place not in self.lines:
            place = place[:-1]
        return self.lines.get(place, 1)

    def say(self, place: Place, sentence: str) -> str:
        """The sentence with its address before it: ``path:line: sentence``."""
        return f"{self.path}:{self.line(place)}: {sentence}"


class _Loader(yaml.SafeLoader):
    """Safe YAML in which only true and false are truth values (`on` and `off` are key positions)."""

    def compose_node(self, parent, index):
        if self.check_event(yaml.AliasEvent):
            mark = self.peek_event().start_mark
            raise yaml.constructor.ConstructorError(
                None, None, "an alias (*name) is not accepted here; write the value out", mark
            )
        return super().compose_node(parent, index)


_Loader.yaml_implicit_resolvers = {
    first: [(tag, rule) for tag, rule in rules if tag != "tag:yaml.org,2002:bool"]
    for first, rules in yaml.SafeLoader.yaml_implicit_resolvers.items()
}
_Loader.add_implicit_resolver("tag:yaml.org,2002:bool", re.compile(r"^(?:true|false)$"), list("tf"))


def read(path: Path | str, key: str = "machine") -> Source:
    """Read one YAML file, whose first `key` is named where it has none.

    Raises ScenarioError when the file is missing, too large, not YAML, repeats a key or uses an alias.
    """
    path = Path(path)
    try:
        raw = path.read_bytes()
    except OSError as err:
        raise ScenarioError([refused(path, err, "check the name and the folder", "cannot be read")]) from None
    if len(raw) > MAX_BYTES:
        raise ScenarioError([f"{path}: the file is over {MAX_BYTES:,} bytes; a scenario is a short text file."])
    try:
        loader = _Loader(raw.decode("utf-8"))
        node = loader.get_single_node()
    except UnicodeDecodeError:
        raise ScenarioError([f"{path}: the file is not UTF-8 text; save it as UTF-8."]) from None
    except yaml.YAMLError as err:
        mark = getattr(err, "problem_mark", None)
        what = getattr(err, "problem", None) or "it is not YAML"
        what = "a tab stands here; indent with spaces" if "\\t" in what else what
        line = mark.line + 1 if mark else 1
        raise ScenarioError([f"{path}:{line}: cannot be read as YAML: {what}."]) from None
    if not isinstance(node, yaml.MappingNode):
        raise ScenarioError([f"{path}:1: the file is empty or not a list of keys; start with `{key}:`."])
    source = Source(path, {}, {})
    problems: list[str] = []
    try:
        data = _walk(node, (), source, problems, loader)
    except (yaml.YAMLError, ValueError, RecursionError) as err:
        mark = getattr(err, "problem_mark", None)
        line = mark.line + 1 if mark else 1
        raise ScenarioError([f"{path}:{line}: a value cannot be read; write it as plain text or a number."]) from None
    if problems:
        raise ScenarioError(problems)
    return Source(path, data, source.lines)


def _walk(node: yaml.Node, place: Place, source: Source, problems: list[str], loader: _Loader) -> Any:
    source.lines[place] = node.start_mark.line + 1
    if isinstance(node, yaml.MappingNode):
        out: dict[str, Any] = {}
        for key_node, value_node in node.value:
            key = str(getattr(key_node, "value", ""))
            here = (*place, key)
            if key in out:
                source.lines[here] = key_node.start_mark.line + 1
                problems.append(source.say(here, f"{key} stands here twice; keep one of the two."))
            out[key] = _walk(value_node, here, source, problems, loader)
            source.lines[here] = key_node.start_mark.line + 1
        return out
    if isinstance(node, yaml.SequenceNode):
        return [_walk(child, (*place, k), source, problems, loader) for k, child in enumerate(node.value)]
    return loader.construct_object(node)

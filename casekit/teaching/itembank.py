"""A bank of exam items: made by number, checked, and written down one line each, so that it can be gone on with.

In: a path, how many are wanted, a seed. Out: a file of items, all different; the same seed gives the same bank.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import nullcontext
from itertools import count as counted
from math import lcm
from multiprocessing import get_context
from pathlib import Path

from casekit.error import CasekitError, MissingError, ScenarioError, refused
from casekit.files import library
from casekit.teaching.examiner import MAKERS, item
from casekit.teaching.item import Item

CHUNK = 60  # numbers that are drawn at once by one process
FORMAT = 2
CONNECT_S = 3
BARREN = 200  # chunks in a row without anything new after which it is given up


def make_bank(
    path: Path | str, many: int, seed: int = 1, processes: int = 1, told: Callable[[int, int], None] | None = None,
    cluster: str = "",
) -> int:  # fmt: skip
    """Make items until `many` are in the file; how many are in it. A file that is there is gone on with.

    `told(done, all)` is called after each chunk. `cluster` is the address of a Dask scheduler whose workers do the work
    instead of `processes` here. Raises CasekitError for a number or seed that is none, ScenarioError when the file is
    another's, or cannot be written, MissingError when Dask is not there or does not answer.
    """
    for name, value, least in (("number of items", many, 1), ("seed", seed, 0)):
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            raise CasekitError(f"the {name} is {value!r}; write a whole number from {least}.")
    path = Path(path)
    items, start = _begun(path, seed)
    known = {old.face for old in items}
    done, barren = len(items), 0
    # Spawned, not forked: the parent may have threads, as a notebook has.
    spawn = get_context("spawn")
    if cluster:
        pool, workers = _cluster(cluster)
    else:
        pool, workers = ProcessPoolExecutor(processes, mp_context=spawn) if processes > 1 else nullcontext(), processes
    try:
        with pool as executor, path.open("a", encoding="utf-8") as file:
            for number, made in _chunks(executor, seed, start, workers):
                before = done
                for new in made:
                    if done < many and new.face not in known:
                        known.add(new.face)
                        file.write(json.dumps(new.as_data()) + "\n")
                        done += 1
                file.write(json.dumps({"drawn": number}) + "\n")
                file.flush()
                if told:
                    told(done, many)
                barren = 0 if done > before else barren + 1
                if done >= many or barren >= BARREN:
                    return done
    except OSError as err:
        raise ScenarioError([refused(path, err, "choose another place")]) from None
    return done


def read_bank(path: Path | str) -> list[Item]:
    """The items of a bank. Raises ScenarioError when it is none."""
    return _read(Path(path))[1]


def drawn_items(what: tuple[int, int]) -> list[Item]:
    """The fair items of a chunk of numbers."""
    seed, chunk = what
    machines, kinds = library.names("machines"), list(MAKERS)
    again = lcm(len(machines), len(kinds))
    found = []
    for n in range(chunk * CHUNK, (chunk + 1) * CHUNK):
        # All machines and kinds from the first numbers on; the shift meets all pairs where the two share a factor.
        kind, machine = kinds[n % len(kinds)], machines[(n + n // again) % len(machines)]
        if made := item(kind, machine, seed * 1_000_003 + n):
            found.append(made)
    return found


# Inside ---------------------------------------------------------------------------------------------------------------


def _chunks(pool: Executor | None, seed: int, start: int, processes: int) -> Iterator[tuple[int, list[Item]]]:
    """Chunks in order, from `start` on."""
    if pool is None:
        for chunk in counted(start):
            yield chunk, drawn_items((seed, chunk))
        return
    waiting = [(k, pool.submit(drawn_items, (seed, k))) for k in range(start, start + 2 * processes)]
    while True:
        chunk, future = waiting.pop(0)
        waiting.append((waiting[-1][0] + 1, pool.submit(drawn_items, (seed, waiting[-1][0] + 1))))
        yield chunk, future.result()


def _cluster(address: str) -> tuple[Executor, int]:
    """The workers of a Dask cluster as an executor, and how many there are."""
    try:
        from distributed import Client
    except ImportError:
        raise MissingError("a cluster needs Dask; install it with: pip install distributed") from None
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
        executor = client.get_executor(pure=False)
        return executor, max(len(client.scheduler_info()["workers"]), 1)
    except (OSError, ValueError) as err:
        raise MissingError(f"no Dask scheduler answers at {address} ({err}); check the address.") from None


def _begun(path: Path, seed: int) -> tuple[list[Item], int]:
    """What is in the file already, and the chunk to go on with; a line that was cut short is taken off."""
    if not path.exists() or path.stat().st_size == 0:
        try:
            path.write_text(json.dumps({"casekit items": FORMAT, "seed": seed}) + "\n", encoding="utf-8")
        except OSError as err:
            raise ScenarioError([refused(path, err, "choose another place")]) from None
        return [], 0
    theirs, items, chunk, whole = _read(path)
    if theirs != seed:
        raise ScenarioError([f"{path}: this bank was begun with seed {theirs}; go on with that, or name another file."])
    with path.open("r+b") as file:  # back to the end of the last chunk that was whole
        file.truncate(whole)
    return items, chunk


def _read(path: Path) -> tuple[int, list[Item], int, int]:
    """(seed, items of whole chunks, the next chunk, bytes up to its begin)."""
    try:
        lines = path.read_bytes().splitlines(keepends=True)
    except OSError as err:
        raise ScenarioError([refused(path, err, "check the name", "cannot be read")]) from None
    head = _object(lines[0]) if lines else {}
    if head.get("casekit items") != FORMAT or not isinstance(head.get("seed"), int):
        raise ScenarioError([f"{path}: this is not a bank of items; make one with casekit items."])
    items: list[Item] = []
    fresh: list[Item] = []
    chunk, at = 0, len(lines[0])
    whole = at
    for number, line in enumerate(lines[1:], 2):
        at += len(line)
        data = _object(line)
        if "drawn" in data:
            items, fresh, chunk, whole = items + fresh, [], int(data["drawn"]) + 1, at
        elif data:
            try:
                fresh.append(Item.from_data(data))
            except CasekitError as err:
                raise ScenarioError([f"{path}:{number}: {err}"]) from None
        elif number < len(lines):
            raise ScenarioError([f"{path}:{number}: the line is damaged; take it out, or make the bank anew."])
    return head["seed"], items, chunk, whole


def _object(line: bytes) -> dict:
    try:
        found = json.loads(line) if line.endswith(b"\n") else None
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}

"""The logbook: the file in which a bench is written down, one line of JSON a call, flushed at once.

In: a path and whose log it is; lines to be written. Out: the lines that were there, and a sentence for every trouble.
The file holds what was asked and what was shown, never what is wrong with the machine.
"""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from importlib.metadata import PackageNotFoundError, version
from io import FileIO
from pathlib import Path

import numpy as np

from casekit.error import BenchError, ScenarioError, refused
from casekit.machine.intermittent import Push

try:
    import fcntl
except ImportError:  # Windows: what stands at the end of the file is checked there, without a lock
    fcntl = None

FORMAT = 2  # 2: of a variant, which the head line names
ELSEWHERE = "name another folder with folder="


@dataclass(frozen=True)
class Line:
    """One call as it is written down: its number in the file, the method, what it was given, and what came of it: the
    clock in minutes, the state, what was shown, and the sentence if it was refused half-way."""

    number: int
    do: str
    args: tuple = ()
    settings: dict | None = None
    minute: float = 0.0
    state: str = ""
    shown: tuple[str, ...] = ()
    refused: str = ""

    def __str__(self) -> str:
        """The call as it would be typed."""
        given = [repr(a) for a in self.args] + [f"{k}={v!r}" for k, v in (self.settings or {}).items()]
        return f"{self.do}({', '.join(given)})"


class Logbook:
    """The file of one case. `lines` are those found when it was opened, `troubles` what had to be left out.

    Raises ScenarioError when the file is another's, and when nothing can be written there.
    """

    def __init__(self, path: Path, case: str, seed: int | None, variant: int = 0, trainee: str = ""):
        self.path, self.case, self.seed, self.variant = path.absolute(), case, seed, variant
        self.trainee = trainee
        self.lines: list[Line] = []
        self.troubles: list[str] = []
        self._end, self._last = 0, b""  # where this bench left the file, and its last line
        self._waiting = b""  # done, but not yet written: there was no room
        head = {"casekit log": 1, "case": case, "seed": seed, "casekit": kit_version()}
        if variant:
            head |= {"casekit log": FORMAT, "variant": variant}
        head |= {"trainee": trainee} if trainee else {}
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self._locked("a+b") as file:
                self._read(file, _line(head))
        except OSError as err:
            raise ScenarioError([self._unwritable(err)]) from None

    @contextmanager
    def turn(self) -> Iterator[Callable[[dict], None]]:
        """The right to do one thing and write it down, with nobody else writing meanwhile: yields what writes a line.

        Raises BenchError, before anything is done, when another bench has written since, or nothing can be written.
        """
        try:
            with self._locked("r+b") as file:
                self._ours(file)
                self._append(file)
                yield lambda fields: self._append(file, _line(fields))
        except FileNotFoundError:
            raise BenchError(
                f"{self.path}: the log is no longer here; put it back, or load the page or run the cells again."
            ) from None
        except OSError as err:
            raise BenchError(self._unwritable(err)) from None

    def put_aside(self) -> Path:
        """Keep the file under the next free number; where it is now."""
        with self.turn():
            pass
        number = 1
        while (aside := self.path.with_name(f"{self.path.stem}.{number}.jsonl")).exists():
            number += 1
        try:
            self.path.rename(aside)
        except OSError as err:
            raise BenchError(self._unwritable(err)) from None
        return aside

    def put_back(self, aside: Path) -> None:
        """Undo putting aside, as far as that can be done."""
        with suppress(OSError):
            aside.rename(self.path)

    # Inside -----------------------------------------------------------------------------------------------------

    @contextmanager
    def _locked(self, mode: str) -> Iterator[FileIO]:
        """The file, open; the lock goes with it when it is closed, or when its process is killed."""
        with self.path.open(mode, buffering=0) as file:
            if fcntl:
                try:
                    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except BlockingIOError:
                    raise BenchError(f"{self.path}: another bench is writing here now; go on with that one.") from None
                except OSError:  # a file system without locks: the end of the file is checked all the same
                    pass
            yield file

    def _ours(self, file: FileIO) -> None:
        """Check that the file ends as this bench left it."""
        file.seek(0, os.SEEK_END)
        if file.tell() == self._end:
            file.seek(self._end - len(self._last))
            if file.read() == self._last:
                return
        raise BenchError(
            f"{self.path}: another bench has written here since this one was opened; go on with that one, or "
            "load the page or run the cells again."
        )

    def _append(self, file: FileIO, line: bytes = b"") -> None:
        """Write a line to the end, after what waits. Raises BenchError when it has to wait as well."""
        self._waiting += line
        try:
            self._put(file)
        except OSError as err:
            raise BenchError(
                f"{self.path}: what was done last could not be written down ({err.strerror or err}); make room there: "
                "it is written before the next thing is done."
            ) from None

    def _put(self, file: FileIO) -> None:
        """Write what waits, all or nothing, and see it onto the disk."""
        if not self._waiting:
            return
        before = self._end, self._last, self._waiting
        file.seek(self._end)
        try:
            if file.write(self._waiting) < len(self._waiting):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            self._end, self._last, self._waiting = self._end + len(self._waiting), self._waiting, b""
            os.fsync(file.fileno())
        except OSError:
            self._end, self._last, self._waiting = before
            with suppress(OSError):
                file.truncate(self._end)  # half a line is worse than none
            raise

    def _read(self, file: FileIO, head: bytes) -> None:
        """Take in what the file holds; a new file gets its head line, a last line that was cut short is taken off."""
        file.seek(0)
        whole = file.read()
        if b"\n" not in whole:  # new, or killed before the first line was whole
            if not head.startswith(whole):
                self._check_head(whole)
            file.truncate(0)
            self._waiting = head
            self._put(file)
            return
        first, *rest = whole.split(b"\n")
        self._check_head(first)
        cut = rest.pop()
        for number, raw in enumerate(rest, start=2):
            self._take(number, raw)
        self._end, self._last = len(whole) - len(cut), (rest[-1] if rest else first) + b"\n"
        if not cut:
            return
        file.truncate(self._end)
        if line := _parsed(len(rest) + 2, cut):  # only its end was missing
            self.lines.append(line)
            self._waiting = cut + b"\n"
            self._put(file)
        else:
            self.troubles.append("the last line was cut short and is left out")

    def _take(self, number: int, raw: bytes) -> None:
        line = _parsed(number, raw)
        if line is None:
            self.troubles.append(f"line {number} is damaged and is left out")
        else:
            self.lines.append(line)

    def _check_head(self, raw: bytes) -> None:
        """Whether this is a log, of this case, in a format that can be read."""
        head = _head(raw, f"{self.path}:1", f"; move the file away, or {ELSEWHERE}",
                     f"open it with a newer casekit, or {ELSEWHERE}")  # fmt: skip
        whose, mine = (head.get("case"), head.get("seed"), head.get("variant", 0)), (self.case, self.seed, self.variant)
        if whose != mine:
            theirs, ours = _whose(*whose), _whose(*mine)
            raise ScenarioError([
                f"{self.path}:1: this is the log of {theirs}, not of {ours}; move the file away, or {ELSEWHERE}."
            ])  # fmt: skip

    def _unwritable(self, err: OSError) -> str:
        return f"{self.path}: nothing can be written here ({err.strerror or err}); {ELSEWHERE}."


@dataclass(frozen=True)
class Log:
    """A log that was only read: whose it is, its lines, and a sentence for every trouble."""

    path: Path
    case: str
    seed: int | None
    variant: int
    trainee: str
    lines: tuple[Line, ...]
    troubles: tuple[str, ...]


def read_log(path: Path) -> Log:
    """Read a log without touching its file; damaged lines are left out and told.

    Raises ScenarioError when it cannot be read, is not a log of casekit, or was written by a newer one.
    """
    try:
        whole = path.read_bytes()
    except OSError as err:
        raise ScenarioError([refused(path, err, usual="cannot be read")]) from None
    first, *rest = whole.split(b"\n")
    head = _head(first, f"{path}", "", "read it with a newer casekit")
    case, seed, variant, trainee = (head.get(k) for k in ("case", "seed", "variant", "trainee"))
    variant = 0 if variant is None else variant
    whose = isinstance(case, str) and isinstance(variant, int) and isinstance(seed, int | None)
    if not whose or isinstance(seed, bool) or (trainee is not None and not isinstance(trainee, str)):
        raise ScenarioError([f"{path}:1: the head of this log is damaged; nobody can say what it is a log of."])
    cut = rest.pop() if rest else b""
    lines, troubles = [], []
    for number, raw in enumerate([*rest, *([cut] if cut else [])], 2):
        line = _parsed(number, raw)
        if line:
            lines.append(line)
        else:
            short = cut and number == len(rest) + 2
            troubles.append("the last line was cut short" if short else f"line {number} is damaged and is left out")
    return Log(path, case, seed, variant, trainee or "", tuple(lines), tuple(troubles))


def plain(value: object) -> object:
    """An argument as JSON can hold it. Raises BenchError for what it cannot.

    >>> plain((("B5.1", "G1.-"), 0.5, None))
    [['B5.1', 'G1.-'], 0.5, None]
    """
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, Push):
        return {"push": asdict(value)}
    if value is None or isinstance(value, str | int | float):
        return value
    raise BenchError(f"{value!r} cannot be written down in the log; use text, numbers and pairs of them.")


def given(value: object) -> object:
    """The argument that was written down: what was a list or a tuple is a tuple.

    >>> given([["B5.1", "G1.-"], 0.5, None])
    (('B5.1', 'G1.-'), 0.5, None)
    """
    if isinstance(value, list):
        return tuple(given(v) for v in value)
    if isinstance(value, dict):
        return Push(**value["push"])
    return value


def _line(fields: dict) -> bytes:
    return json.dumps(fields).encode() + b"\n"


def _head(raw: bytes, where: str, foreign: str, newer: str) -> dict:
    """The head line of a log in a format that can be read; `foreign` and `newer` say what to do with another."""
    head = _object(raw)
    form = head.get("casekit log")
    if not isinstance(form, int) or isinstance(form, bool):
        raise ScenarioError([f"{where}: this is not a log of casekit{foreign}."])
    if form > FORMAT:
        raise ScenarioError([
            f"{where}: this log was written by casekit {head.get('casekit')} in format {form}, and this one reads "
            f"format {FORMAT}; {newer}."
        ])  # fmt: skip
    return head


def _parsed(number: int, raw: bytes) -> Line | None:
    """A line of the file; None when it is damaged."""
    fields = _object(raw)
    try:
        do, args, settings = fields["do"], given(fields["args"]), fields["settings"]
        settings = {str(k): given(v) for k, v in settings.items()}
        minute, shown = float(fields["minute"]), tuple(map(str, fields["shown"]))
        if not isinstance(do, str) or not isinstance(args, tuple):
            return None
    except (AttributeError, KeyError, TypeError, ValueError):
        return None
    return Line(number, do, args, settings, minute, str(fields.get("state")), shown, str(fields.get("refused") or ""))


def _object(raw: bytes) -> dict:
    """What a line holds; empty when it is not an object of JSON."""
    try:
        found = json.loads(raw)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _whose(case: object, seed: object, variant: object) -> str:
    which = f"{case}, variant {variant}," if variant else f"{case}"
    return which.rstrip(",") if seed is None else f"{which} with seed {seed}"


def kit_version() -> str:
    """The version of the kit; "unknown" where it was never installed."""
    try:
        return version("casekit")
    except PackageNotFoundError:
        return "unknown"

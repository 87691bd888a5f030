"""Errors that speak the trade: each says which part, what is wrong and what to try."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

ALIKE = str.maketrans("LIO", "110")  # what is taken for each other on paper


class CasekitError(Exception):
    """Base of every error a user can meet. Notebooks show its sentence without a traceback."""

    def _render_traceback_(self) -> list[str]:
        return [str(self)]


class ScenarioError(CasekitError):
    """One or more scenario files are wrong; `problems` holds one sentence each."""

    def __init__(self, problems: Iterable[str]):
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))


class CircuitError(CasekitError):
    """A network that cannot be solved; the message names the parts."""


class BenchError(CasekitError):
    """A move or a reading that cannot be made now."""


class MissingError(CasekitError):
    """Something that is not installed, or not free, is needed first; the message says what to do."""


def refused(path: object, err: OSError, advice: str = "", usual: str = "cannot be written") -> str:
    """What a file system refused, in a sentence: ``path: reason; advice.``

    >>> refused("log.csv", OSError(28, "No space left on device"), "choose another place")
    'log.csv: no space left on device; choose another place.'
    """
    return f"{path}: {(err.strerror or usual).lower()}{f'; {advice}' if advice else ''}."


def hint(word: str, known: Iterable[str]) -> str:
    """' Did you mean X?' for the known name closest to `word`, or an empty string.

    >>> hint("X11.l", ["X11.1", "B4.1"])
    ' Did you mean X11.1?'
    """
    word = str(word)

    def likeness(name: str) -> tuple[float, bool, int]:
        # Swapped characters are the likelier slip among equals, then a common beginning.
        alike = difflib.SequenceMatcher(None, word, name).ratio()
        return alike, sorted(word) == sorted(name), sum(word.startswith(name[:k]) for k in range(len(name) + 1))

    best = max((str(k) for k in known), key=likeness, default="")
    return f" Did you mean {best}?" if best and likeness(best)[0] >= 0.6 else ""


def hint_or_some(word: str, known: Iterable[str]) -> str:
    """The hint, or where there is none what there is to choose from, in short.

    >>> hint_or_some("W999", ["W1", "W2", "W3", "W4"])
    ' It may be W1, W2 or W3, or 1 more.'
    """
    names = [str(k) for k in known]
    found = hint(word, names) if str(word) else ""
    if found or not names:
        return found
    *first, last = names[:3]
    few = f"{', '.join(first)} or {last}" if first else last
    return f" It may be {few}{f', or {len(names) - 3} more' if len(names) > 3 else ''}."


def near(name: str, known: Iterable[str]) -> str:
    """' Did you mean X?' for a name of a part or code that differs by a slip of the hand alone, or an empty string:
    two characters swapped, one too many or missing, or one that looks alike. Another digit is another part.

    >>> near("P0624", ["P0642"]), near("X9.9", ["X4.9"]), near("b1.l", ["B1.1"])
    (' Did you mean P0642?', '', ' Did you mean B1.1?')
    """
    name, known = str(name), [str(k) for k in known]
    swapped = {name[:k] + name[k + 1] + name[k] + name[k + 2 :] for k in range(len(name) - 1)}
    fewer = {name[:k] + name[k + 1 :] for k in range(len(name))}
    tests = (
        lambda k: k.upper().translate(ALIKE) == name.upper().translate(ALIKE),
        lambda k: k in swapped,
        lambda k: k in fewer or name in {k[:j] + k[j + 1 :] for j in range(len(k))},
    )
    best = next((k for test in tests for k in known if k != name and test(k)), "")
    return f" Did you mean {best}?" if best else ""

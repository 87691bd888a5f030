"""Making calls again that were written down, on a fresh bench of the same case, which gives the same readings.

In: a bench and the lines of its log. Out: whether each could be made, and what came out differently, in words.
"""

from __future__ import annotations

import inspect
import math

from casekit.bench.reading import Finding, Reading
from casekit.error import CasekitError
from casekit.teaching.logbook import Line
from casekit.teaching.practice import Practice

# Every public method that changes the log, the clock, the state or the list of suspects.
WRITTEN = (
    "key", "operate", "release", "unplug", "plug", "look", "open_harness", "notice", "shift", "rock", "warm_up",
    "road_test", "volts", "millivolts", "ohms", "continuity", "minmax", "lamp", "loaded", "amps", "zero_clamp", "scope",
    "scan", "scan_trace", "codes", "snapshot", "repair", "replace", "clear_codes", "prove", "jumper", "remove_jumper",
    "pierce", "tick", "call", "hint", "debrief",
)  # fmt: skip
CLOSE_MIN = 1e-6  # clocks that differ by less are the same


def do_again(bench: Practice, line: Line) -> tuple[bool, str]:
    """Make a call that was written down; whether it could be made, and what came out differently, in words."""
    method = getattr(bench, line.do) if line.do in WRITTEN else None
    try:
        inspect.signature(method).bind(*line.args, **line.settings)
    except TypeError:  # no such method, or not with these arguments
        return False, f"line {line.number} is damaged and is left out"
    before, refused = len(bench.events), ""
    try:
        method(*line.args, **line.settings)
    except CasekitError as err:
        refused = str(err)
    except Exception as err:  # a line written by hand can hold anything, and must not cost the lines after it
        refused = f"{type(err).__name__}: {err}"
    what, shown = f"line {line.number}, {line},", shown_since(bench, before)
    if refused and not line.refused:
        return False, f"{what} cannot be done now: {refused.rstrip('.')}"
    for was, now in zip(line.shown, shown, strict=False):
        if was != now:
            return True, f"{what} showed {was} then and shows {now} now"
    if len(line.shown) != len(shown) or line.state != str(bench.state):
        return True, f"{what} came out differently: {line.state} then, {bench.state} now"
    if not math.isclose(line.minute, bench.clock, abs_tol=CLOSE_MIN):
        return True, f"{what} ended at minute {line.minute:.1f} then and at {bench.clock:.1f} now"
    return True, ""


def shown_since(bench: Practice, before: int) -> tuple[str, ...]:
    """What the readings and findings since an event showed, with the numbers that came with them."""
    texts: list[str] = []
    for event in bench.events[before:]:
        if isinstance(event, Reading):
            texts += [event.shown, *(f"{name} {value:.4g}" for name, value in event.data)]
        elif isinstance(event, Finding):
            texts.append(event.text)
    return tuple(texts)

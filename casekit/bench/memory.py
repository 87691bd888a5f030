"""The control unit's memory of trouble codes: debounce, pending, stored, snapshot.

In: which faults the unit sees and for how long. Out: codes with their status and the values at the moment each was
set. A code is pending once its fault has lasted as long as its debounce, and stored when the fault lasts STORED_S
in all or is there again after the next key on (common practice, no source; units differ).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from casekit.machine.rules import Seen

STORED_S = 10.0


@dataclass
class Entry:
    """One code: since when it counts, in which key cycle it was set, its status, and the snapshot."""

    status: str
    cycle: int
    lasted_s: float = 0.0
    snapshot: dict[str, str] = field(default_factory=dict)


class Memory:
    """Codes by number. `past` are those stored before the machine came in."""

    def __init__(self, past: tuple[str, ...] = ()):
        self.entries: dict[str, Entry] = {code: Entry("stored", -1) for code in past}
        self.cycle = 0

    def key_on(self) -> None:
        """A new key cycle begins."""
        self.cycle += 1

    def live(self, seen: Mapping[Seen, float], snapshot: Callable[[], dict[str, str]]) -> list[str]:
        """Live through a while: `seen` are the faults, each with the longest time it lasted without a break (second).

        `snapshot` is asked for the values of the moment when a code is set. Returns the codes set in it.
        """
        fresh = []
        for fault, lasted in seen.items():
            if fault.code is None or lasted < fault.debounce_s:
                continue
            entry = self.entries.get(fault.code)
            if entry is None:
                entry = self.entries[fault.code] = Entry("pending", self.cycle, 0.0, snapshot())
                fresh.append(fault.code)
            entry.lasted_s += lasted
            if entry.lasted_s >= STORED_S or entry.cycle != self.cycle:
                entry.status = "stored"
            if not entry.snapshot:
                entry.snapshot = snapshot()
        return fresh

    def clear(self) -> int:
        """Forget everything; returns how many codes there were."""
        count = len(self.entries)
        self.entries.clear()
        return count

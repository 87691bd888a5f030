"""The kit's own map of abilities: what exam items ask for, which lesson teaches it, and which cases practise it.

In: the name of an ability. Out: an `Ability` with its lesson, and names of cases.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from casekit.error import CasekitError, ScenarioError, hint
from casekit.files import library
from casekit.machine.faults import DRAWING_KINDS
from casekit.teaching.grade import list_cases


@dataclass(frozen=True)
class Ability:
    """Something a trainee can do, the lesson in which it is learnt (its number), and the kinds of faults that ask for
    it: none means that every case does. `loose` are faults that come and go."""

    name: str
    lesson: str
    kinds: tuple[str, ...] = ()
    loose: bool = False


SHARES, OPENS, RESISTANCE = "read who shares what", "opens: where the volts go", "high resistance under load"
GROUND, BATTERY, EXPLAIN = "shorts to ground", "shorts to battery", "explain every reading"
TRACE, DRAWING, CHANCE = "read a trace", "doubt the drawing", "weigh how likely"
CHOOSE, CALL, SAFE = "choose the next test", "call only what is supported", "harm nothing while testing"
ABILITIES = {
    a.name: a
    for a in (
        Ability(SHARES, "01"),
        Ability(SAFE, "03"),
        Ability(OPENS, "04", ("open", "supply dead")),
        Ability(RESISTANCE, "05", ("high resistance",)),
        Ability(GROUND, "06", ("short to ground", "sensor shorted")),
        Ability(EXPLAIN, "07"),
        Ability(BATTERY, "08", ("short to battery", "short between wires")),
        Ability(TRACE, "10", loose=True),
        Ability(DRAWING, "12", DRAWING_KINDS),
        Ability(CHOOSE, "13"),
        Ability(CHANCE, "13"),
        Ability(CALL, "14"),
    )
}


def ability(name: str) -> Ability:
    """The ability of this name. Raises CasekitError when there is none."""
    if name not in ABILITIES:
        raise CasekitError(f"there is no ability {name!r}; there is: {'; '.join(ABILITIES)}.{hint(name, ABILITIES)}")
    return ABILITIES[name]


@lru_cache(maxsize=32)
def cases_for(name: str) -> tuple[str, ...]:
    """Two cases to practise an ability with, in the order of their names. Where it is one of certain faults, one of the
    two has such a fault and the other has not, so that the advice does not give it away; the easiest of each."""
    wanted = ability(name)
    fit: list[str] = []
    other: list[str] = []
    for case in list_cases()["case"]:
        try:
            faults = library.case_file(case).faults
        except ScenarioError:  # sealed
            continue
        needs = any(f.kind in wanted.kinds or (wanted.loose and f.when is not None) for f in faults)
        (fit if needs else other).append(case)
    if not (wanted.kinds or wanted.loose):
        return tuple(sorted(other[:2]))
    return tuple(sorted([*fit[:1], *other[:1]]))

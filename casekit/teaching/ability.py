"""The kit's own map of abilities: what exam items ask for, and which lesson teaches it.

In: the name of an ability. Out: an `Ability` with its lesson.
"""

from __future__ import annotations

from dataclasses import dataclass

from casekit.error import CasekitError, hint


@dataclass(frozen=True)
class Ability:
    """Something a trainee can do, and the lesson in which it is learnt (its number)."""

    name: str
    lesson: str


SHARES, OPENS, RESISTANCE = "read who shares what", "opens: where the volts go", "high resistance under load"
GROUND, BATTERY, EXPLAIN = "shorts to ground", "shorts to battery", "explain every reading"
ABILITIES = {
    a.name: a
    for a in (
        Ability(SHARES, "01"),
        Ability(OPENS, "04"),
        Ability(RESISTANCE, "05"),
        Ability(GROUND, "06"),
        Ability(BATTERY, "08"),
        Ability(EXPLAIN, "13"),
    )
}


def ability(name: str) -> Ability:
    """The ability of this name. Raises CasekitError when there is none."""
    if name not in ABILITIES:
        raise CasekitError(f"there is no ability {name!r}; there is: {'; '.join(ABILITIES)}.{hint(name, ABILITIES)}")
    return ABILITIES[name]

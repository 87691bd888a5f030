"""Exam items about volts: what a point reads, which fault explains readings, how points are ordered by what they read.

In: a `FaultTable`, a key, a generator of random numbers. Out: an `Item`, or None where what was drawn makes none that
is fair: one right answer, and wrong ones that a named wrong idea leads to and that no instrument takes for it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from casekit.machine.harness import Contact, Wire
from casekit.reasoning.suspect import Suspect
from casekit.reasoning.words import number
from casekit.teaching.ability import BATTERY, EXPLAIN, GROUND, OPENS, RESISTANCE
from casekit.teaching.faulttable import APART, FAINT_V, FaultTable
from casekit.teaching.item import Item, Option, shuffled

SURE = 0.02  # what a value may be off and still be right, as a share, beside 50 mV
EVEN_V = 0.02  # what a fault moves at most where it is said to change nothing
STEP_V = 0.004  # between points that are to be ordered: more than a meter is off from one reading to the next
NUMBERS = 0.6  # share of readings that are asked for as a number, where they can be
SPARED = 0.12  # share of readings that the fault leaves as they are: else what is told as sound would never be right
WIDE = 0.25  # of the greater, and of a supply, between values where one hangs on ohms that nobody is told
SPARED_WHY = "What the fault does ends elsewhere: nothing that holds this point hangs on it, and it reads the same."
ABILITY = {
    "open": OPENS, "supply dead": OPENS, "high resistance": RESISTANCE, "short to ground": GROUND,
    "short to battery": BATTERY, "sensor shorted": GROUND,
}  # fmt: skip


def reading(t: FaultTable, key: str, rng: np.random.Generator) -> Item | None:
    """What will this read? What it reads on the sound machine is told, and now and then the fault leaves it so."""
    n = int(rng.integers(len(t.cells)))
    spared = rng.random() < SPARED
    points = t.spared(n, EVEN_V) if spared else t.moved(n, APART)
    if not len(points):
        return None
    k = int(points[int(rng.integers(len(points)))])
    cell, point, v, good = t.cells[n], t.points[k], float(t.volts[n + 1, k]), float(t.volts[0, k])
    if not np.isfinite(v) or point == t.drawing.plus:
        return None
    if spared:  # millivolts apart, and told as the same
        v = good
    wrong = _fair(t, n, k, _apart(v, _ideas(t, n, k), t.u))
    if len(wrong) < 2 or not t.agrees(n, [k], metered=True):
        return None
    battery = f"The battery has {number(_battery(t), 'V')}. " if cell.suspect.kind == "short to battery" else ""
    ask = (
        f"{battery}On the sound machine a 10 MΩ meter shows {number(good, 'V')} at {t.where(k)}. "
        f"{t.told(n)}{t.side(n, k)}, key on, everything plugged. What does it show there now?"
    )
    why = SPARED_WHY if spared else f"{_why(t, n, k)} The circuit gives {number(v, 'V')}."
    because = f"On the sound machine {point} reads {number(good, 'V')}. {why}"
    rail = min(abs(v), abs(v - 5.0), abs(v - good)) < FAINT_V
    bare = float(t.bare[n + 1, k])
    level = (1 if rail else 2) + (abs(bare - v) > APART)  # that the meter loads has to be seen too
    made = Item(key, "reading", "choice", ABILITY[cell.suspect.kind], t.name, ask, because=because,
                rings=((point, "?"),), level=level)  # fmt: skip
    within = max(0.05, SURE * abs(v))
    # A number is asked for where the drawing tells it: at a supply's or the battery's volts.
    if rng.random() < NUMBERS and not spared and min(abs(v - rail) for rail in (5.0, _battery(t))) < within / 2:
        far = tuple((w, idea) for w, idea in wrong if abs(w - v) > 2 * within)
        if far:
            return replace(made, form="number", value=round(v, 4), unit="V", within=round(within, 3), wrong=far,
                           level=min(level + 1, 3))  # fmt: skip
    some = sorted([(v, ""), *wrong[:3]])
    options = tuple(Option(number(w, "V"), idea) for w, idea in some)
    return replace(made, options=options, right=some.index((v, "")))


def explains(t: FaultTable, key: str, rng: np.random.Generator) -> Item | None:
    """Which fault explains these readings? Every wrong one fails to, whatever its size."""
    n = int(rng.integers(len(t.cells)))
    read = drawn_readings(t, n, rng, 2, 2)
    if read is None:
        return None
    row, true = t.volts[n + 1], t.cells[n].suspect
    against = t.against(read, row[read])
    out = np.flatnonzero(against.max(axis=1) > 1)
    tempting = sorted(out, key=lambda m: (int((against[m] > 1).sum()), -_near(true, t.cells[m].suspect), m))
    options: list[Option] = []
    said: list[str] = []
    hinges = 0
    for m in tempting:
        s = t.cells[m].suspect
        if s.place != true.place and all(str(s) != o.text for o in options) and len(options) < 3:
            worst = read[int(against[m].argmax())]
            even = abs(row[worst] - t.volts[0, worst]) < EVEN_V
            idea = "a good reading clears nothing" if even else "one odd reading is as good as another"
            options.append(Option(str(s), idea if s.kind == true.kind else "what ails a circuit does not matter"))
            sized = " of any size" if len(s.sizes) > 1 else ""
            said.append(f"with {s}{sized}, {t.points[worst]} would read otherwise")
            hinges += int((against[m] > 1).sum() == 1)
    if len(options) < 3 or not t.agrees(n, read):
        return None
    options, right = shuffled(Option(str(true)), options, rng)
    rows = tuple((t.where(k), number(float(row[k]), "V")) for k in sorted(read))
    others = "; ".join(said)
    return Item(key, "explains", "choice", EXPLAIN, t.name,
                "Key on, everything plugged. Which fault explains all of these readings?", rows, options, right,
                because=f"All of them come of this: {t.told(n)}. {others[:1].upper()}{others[1:]}.",
                rings=rings(t, n, read), level=1 + min(hinges, 2))  # fmt: skip


def order(t: FaultTable, key: str, rng: np.random.Generator) -> Item | None:
    """Order the points along a shorted harness by what they read."""
    shorts = [n for n, c in enumerate(t.cells) if c.suspect.kind == "short to ground"]
    n = shorts[int(rng.integers(len(shorts)))]
    row, good = t.volts[n + 1], t.volts[0]
    near = [k for k in range(len(t.points)) if good[k] > 4.5 and np.isfinite(row[k]) and row[k] < 0.8 * good[k]]
    steps: list[int] = []
    for k in sorted(near, key=lambda k: -row[k]):
        if not steps or row[steps[-1]] - row[k] > STEP_V:
            steps.append(k)
    if len(steps) < 3:
        return None
    steps = steps[:4]
    if not t.agrees(n, steps):
        return None
    mixed = [int(k) for k in rng.permutation(len(steps))]
    back = [mixed.index(k) for k in range(len(steps))]
    told = ", ".join(f"{t.points[k]} {number(float(row[k]), 'V')}" for k in steps)
    return Item(key, "order", "order", GROUND, t.name,
                f"{t.told(n)}, key on. Put these points in order, the highest reading against {t.drawing.earth} first.",
                options=tuple(Option(t.points[steps[k]]) for k in mixed), order=tuple(back),
                because=f"The current runs to the short, so the voltage falls towards it: {told}.",
                rings=rings(t, n, steps), level=len(steps) - 1)  # fmt: skip


def drawn_readings(t: FaultTable, n: int, rng: np.random.Generator, odd: int, even: int) -> list[int] | None:
    """Points at which a fault shows something odd, at most so many, and others at which all is well; None if there are
    too few."""
    row, good = t.volts[n + 1], t.volts[0]
    off = [k for k in range(len(t.points)) if np.isfinite(row[k]) and abs(row[k] - good[k]) > APART]
    fine = [k for k in range(len(t.points)) if np.isfinite(row[k]) and abs(row[k] - good[k]) < EVEN_V and good[k] > 1]
    if not off or len(fine) < even:
        return None
    read = [int(k) for k in rng.choice(off, min(odd, len(off)), replace=False)]
    return read + [int(k) for k in rng.choice(fine, even, replace=False)]


def rings(t: FaultTable, n: int, read: list[int]) -> tuple[tuple[str, str], ...]:
    """Points with what they show, to be marked on the drawing."""
    return tuple((t.points[k], number(float(t.volts[n + 1, k]), "V")) for k in read)


# Wrong ideas ----------------------------------------------------------------------------------------------------------


def _ideas(t: FaultTable, n: int, k: int) -> list[tuple[float, str]]:
    """Values that wrong ideas lead to, each with the idea."""
    suspect, good, bare = t.cells[n].suspect, float(t.volts[0, k]), float(t.bare[n + 1, k])
    found = []
    if _returns(t, suspect) and suspect.kind in ("open", "high resistance"):
        found.append((good, "what is wrong with a return hurts only one sensor"))
    found.append((good, "the fault does nothing here"))
    if t.points[k] in t.inside:
        found.append((float(t.inside[t.points[k]][1][n + 1]), "scan data are what the pin has"))
    match suspect.kind:
        case "open" | "supply dead":
            found.append((0.0, "beyond and before an open there is nothing"))
            found.append((5.0, "an open leaves everything at its supply"))
        case "short to ground":
            found += [(0.0, "a shorted supply reads nought everywhere"),
                      (5.0, "a regulator holds its voltage whatever hangs on it")]  # fmt: skip
        case "short to battery":
            found += [(_battery(t), "a short to battery brings the whole battery voltage"),
                      (5.0, "a regulator holds its voltage whatever is fed into it")]  # fmt: skip
        case "high resistance":
            found.append((0.0, "a high resistance is as good as an open"))
        case "sensor shorted":
            found += [(0.0, "a shorted sensor pulls everything to nought"),
                      (5.0, "only the sensor's own signal is hurt")]  # fmt: skip
    if np.isfinite(bare):
        found.append((bare, "the meter takes nothing"))
    found.append((good / 2, "two parts in a row share a voltage by halves"))
    return found


def _returns(t: FaultTable, suspect: Suspect) -> bool:
    """Whether the place of a suspect is on a sensor return of the control unit."""
    part = next((p for p in t.drawing.parts if p.name == suspect.place), None)
    return getattr(part, "a", None) in t.returns


def _apart(v: float, ideas: list[tuple[float, str]], u: Callable[[float], float]) -> list[tuple[float, str]]:
    """Wrong values that no meter takes for the right one or for each other, each with its first idea."""
    kept: list[tuple[float, str]] = []
    for w, idea in ideas:
        clear = all(abs(w - x) > APART + 4 * (u(w) + u(x)) for x in (v, *(x for x, _ in kept)))
        if np.isfinite(w) and clear:
            kept.append((round(float(w), 3), idea))
    return kept


def _fair(t: FaultTable, n: int, k: int, wrong: list[tuple[float, str]]) -> list[tuple[float, str]]:
    """Wrong values that whoever sees what happens can tell from the right one by the drawing and what is told."""
    v, good = float(t.volts[n + 1, k]), float(t.volts[0, k])
    told = (0.0, 5.0, _battery(t), good, good / 2)

    def plain(x: float) -> bool:
        return any(abs(x - y) < max(FAINT_V, SURE * abs(y)) for y in told)

    def fair(w: float) -> bool:
        if plain(v) and plain(w):
            return True
        # How far an open lets a point drift is a matter of ohms: nothing is offered beyond.
        beyond = t.cells[n].suspect.kind == "open" and (w - v) * (v - good) > 0
        return abs(w - v) > WIDE * max(5.0, abs(w), abs(v)) and not beyond

    return [(w, idea) for w, idea in wrong if fair(w)]


def _battery(t: FaultTable) -> float:
    """Volts of the battery on the sound machine."""
    return float(t.volts[0, t.points.index(t.drawing.plus)])


def _why(t: FaultTable, n: int, k: int) -> str:
    """What a fault does by the circuit, and what that means at a point."""
    point, rises = t.points[k], t.volts[n + 1, k] > t.volts[0, k]
    told, starved = _cause(t, n)
    # Who has lost its supply gives nothing, or no longer holds its signal down.
    if starved and rises and point not in t.supplied | t.returns:
        told += " Without its supply the sensor lets go of its signal, and the pull-up lifts it."
    return told


def _cause(t: FaultTable, n: int) -> tuple[str, bool]:
    """What a fault does, by its kind and by what it sits on: a supply, a return, or a signal; and whether it takes
    sensors their supply."""
    suspect = t.cells[n].suspect
    part = next((p for p in t.drawing.all((Wire, Contact)) if p.name == suspect.place), None)
    if suspect.kind == "sensor shorted":
        supplied = t.drawing.plug(suspect.place).harness[0] in t.supplied
        return (SHORTED_SUPPLY if supplied else SHORTED_SIGNAL).format(suspect.place), supplied
    if part is None:  # a supply
        return WHY["open", ""], True
    on = "supply" if part.a in t.supplied else "return" if part.a in t.returns else ""
    told = WHY.get((suspect.kind, on)) or WHY[suspect.kind, ""]
    return told, on == "supply" and suspect.kind != "short to battery"


SHORTED_SUPPLY = (
    "The short lies between the supply and the return of {}: it takes what the supply's protection lets through, and "
    "pulls the supply down to little more than that current times the ohms it flows through."
)
SHORTED_SIGNAL = (
    "{} has two wires, and the short joins them: its signal stands where its return stands, but for the little that "
    "the pull-up drives through a few ohms."
)
WHY = {
    ("short to ground", "supply"): "The supply gives what its protection lets through, and that times the resistance "
    "from here to the short is what is left; sensors on it have no more to work with.",
    ("short to ground", ""): "The short leads to ground what holds this wire up, and little of its volts is left.",
    ("short to battery", ""): "What the battery feeds in works against what holds this wire, and lifts what hangs on "
    "it.",
    ("open", ""): "What no longer feeds this point is gone, and what else hangs on it decides where it goes.",
    ("open", "return"): "Behind the break the current has no way back: the return there rises towards what feeds the "
    "sensors on it, and what they give hangs in the air.",
    ("high resistance", ""): "The current through it drops volts in it, amperes times ohms, and what lies beyond is "
    "off by that.",
    ("high resistance", "supply"): "What the sensors behind it take flows through it and drops volts in it, amperes "
    "times ohms; they have so much less.",
    ("high resistance", "return"): "What comes back from the sensors behind it flows through it and drops volts in it, "
    "amperes times ohms; their return stands so much higher, and what they give is off.",
}


def _near(a: Suspect, b: Suspect) -> int:
    """How alike two suspects look: the same kind, a neighbouring name."""
    return 2 * (a.kind == b.kind) + (a.place[:2] == b.place[:2])

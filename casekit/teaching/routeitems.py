"""Exam items about the way through a case: which test next, and whether a call is supported.

In: a `FaultTable`, a key, a generator of random numbers. Out: an `Item`, or None where none that is fair was drawn. The
suspects are named, with their sizes, as all there are, so that what is right is right by the circuit alone.
"""

from __future__ import annotations

import numpy as np

from casekit.bench.minutes import LEADS
from casekit.reasoning.information import discrete_bits
from casekit.reasoning.words import number
from casekit.teaching.ability import CALL, CHOOSE
from casekit.teaching.faulttable import APART, BATTERY_V, FaultTable
from casekit.teaching.item import Item, Option, listed, shuffled
from casekit.teaching.voltitems import drawn_readings, rings

SUSPECTS = 5
CLEAR = 1.4  # how many times as much the best test must tell a minute as any other on offer
WORTH = 0.7  # bits that the best test tells at least
LIVE_V = 1.0  # volt: what a point shows on a sound machine for it to be thought of at all
FITS = 0.2  # of what tells two readings apart: a reading that is said to fit is nearer than this
STEPS = 0.3  # share of these items that ask for an order
SPREAD = 40  # faults that are looked at to find the suspects of a question


def choose(t: FaultTable, key: str, rng: np.random.Generator) -> Item | None:
    """Which test next? The one that tells most for its minutes, all suspects being as likely."""
    left = _left(t, rng)
    if left is None or len(left[1]) < 4:
        return None
    read, some = left
    rows = t.volts[[n + 1 for n in some]]
    minutes = np.array([t.drawing.access_min.get(t.drawing.owner(p), 0.0) + LEADS for p in t.points])
    classes, sure = _classes(t, rows)
    # The battery's feed, which none of them touches, would tempt nobody.
    sure = [k for k in sure if k not in read and t.volts[0, k] < BATTERY_V]
    if len(sure) < 4:
        return None
    even = np.full(len(some), 1 / len(some))
    bits = dict(zip(sure, discrete_bits(even, classes[:, sure].T).tolist(), strict=True))
    rate = {k: bits[k] / minutes[k] for k in sure}
    best = max(sure, key=lambda k: (rate[k], -k))
    fair = [k for k in sure if rate[best] > CLEAR * rate[k]]
    costly = [k for k in fair if bits[k] >= bits[best] and minutes[k] > minutes[best]]
    quick = [k for k in fair if minutes[k] < minutes[best] and t.volts[0, k] > LIVE_V]
    single = [k for k in fair if sorted(np.bincount(classes[:, k])) == [1, len(some) - 1]]
    tempting = [
        (max(costly, key=lambda k: (bits[k], -k), default=None), "minutes do not matter"),
        (min(single, key=lambda k: (minutes[k], k), default=None), "one suspect is tested after the other"),
        (min(quick, key=lambda k: (minutes[k], bits[k], k), default=None), "the nearest point comes first"),
        (next((k for k in fair if bits[k] == 0 and t.volts[0, k] > LIVE_V), None), "any reading is better than none"),
    ]
    wrong: dict[int, str] = {}
    for k, idea in tempting:
        if k is not None and k not in wrong and len(wrong) < 3:
            wrong[k] = idea
    if len(wrong) < 2 or bits[best] < WORTH or not all(t.agrees(n, [best, *wrong]) for n in some):
        return None
    left_are = (
        f"These suspects are left, each as likely: {listed([t.told(n) for n in some])}. Key on, everything plugged; "
        "the minutes are those to get there and to read."
    )
    if rng.random() < STEPS and (steps := _steps(rate, best)) and all(t.agrees(n, steps) for n in some):
        return _ordered(t, key, rng, left_are, steps, bits, minutes)
    options, right = shuffled(
        Option(f"{t.where(best)}, {minutes[best]:g} min"),
        [Option(f"{t.where(k)}, {minutes[k]:g} min", idea) for k, idea in wrong.items()], rng,
    )  # fmt: skip
    told = "; ".join(
        f"{t.points[k]} parts them {_parted(t, rows[:, k], classes[:, k])}: {bits[k]:.2g} bit in {minutes[k]:g} min"
        for k in (best, *wrong)
    )
    return Item(key, "choose", "choice", CHOOSE, t.name,
                f"{left_are} Which voltage tells most for its minutes?",
                options=options, right=right, because=f"{told}.", rings=((t.points[best], "next"),),
                level=2 + bool(costly))  # fmt: skip


def _steps(rate: dict[int, float], best: int) -> list[int]:
    """Up to four tests, each clearly telling less for its minutes than the one before; none if there are not three."""
    steps = [best]
    for k in sorted(rate, key=lambda k: (-rate[k], k)):
        if rate[steps[-1]] > CLEAR * rate[k] and len(steps) < 4:
            steps.append(k)
    return steps if len(steps) > 2 else []


def _ordered(
    t: FaultTable, key: str, rng: np.random.Generator, left_are: str, steps: list[int], bits: dict[int, float],
    minutes: np.ndarray,
) -> Item:  # fmt: skip
    """Tests to be put in the order of what they tell for their minutes."""
    mixed = [int(k) for k in rng.permutation(len(steps))]
    told = ", ".join(f"{t.points[k]} {bits[k]:.2g} bit in {minutes[k]:g} min" for k in steps)
    return Item(key, "choose", "order", CHOOSE, t.name,
                f"{left_are} Put these readings in order, the one that tells most for its minutes first.",
                options=tuple(Option(f"{t.where(steps[k])}, {minutes[steps[k]]:g} min") for k in mixed),
                order=tuple(mixed.index(k) for k in range(len(steps))), because=f"{told}.",
                rings=tuple((t.points[k], f"{n}") for n, k in enumerate(steps, 1)), level=3)  # fmt: skip


def supported(t: FaultTable, key: str, rng: np.random.Generator) -> Item | None:
    """Is this call supported by these readings?"""
    left = _left(t, rng, odd=2)
    if left is None:
        return None
    read, some = left
    true = some[0]
    others = some[1:]
    against = t.against(read, t.volts[true + 1, read])
    ruled = [int(m) for m in np.flatnonzero(against.max(axis=1) > 1)]
    ruled = [m for m in ruled if t.cells[m].suspect.place != t.cells[true].suspect.place]
    what = ("alone", "others", "against")[int(rng.integers(3))]
    if len(ruled) < 2 or (what == "others" and not others):
        return None
    ruled = [int(m) for m in rng.choice(ruled, 2, replace=False)]
    named = [true, *ruled] + ([others[0]] if what == "others" else [])
    called = ruled[0] if what == "against" else true
    reading_against = read[int(against[ruled[0]].argmax())] if what == "against" else -1
    shown = t.volts[true + 1, read]
    # A reading that is said to fit does so with the very size that is named.
    near = np.abs(t.volts[called + 1, read] - shown) < t.u(shown)
    fits = [k for n, k in enumerate(read) if near[n] and against[called][n] < FITS]
    if not fits or 2 * len(fits) < len(read) or not t.agrees(true, read):
        return None
    fit = fits[int(rng.integers(len(fits)))]
    yes = Option("yes: none of the others explains all of them")
    over = Option(f"no: {t.told(ruled[1])} explains them all as well", "what a reading rules out is still in")
    spoken = Option(f"no: {t.where(fit)} speaks against it", "a reading that fits can speak against")
    codes = t.codes(true)
    by_code = Option("yes: the code says so", "a code names the part")
    match what:
        case "alone":
            because = f"Of those named only this shows all of it; {_spoken(t, ruled, against, read)}."
            right = yes
            wrong = [over, spoken, Option(f"no: {t.told(ruled[0])} explains them all as well", over.idea)]
        case "others":
            because = f"{t.told(others[0])}: that shows the same at these points, so nothing parts the two yet."
            right = Option(f"no: {t.told(others[0])} explains them all as well")
            wrong = [Option(yes.text, "what explains the readings is proven"), over, by_code if codes else spoken]
        case _:
            because = f"{_spoken(t, ruled[:1], against, read)}."
            right = Option(f"no: {t.where(reading_against)} speaks against it")
            wrong = [Option(yes.text, "most readings fit, so the call stands"), spoken, by_code if codes else over]
    options, number_right = shuffled(right, wrong, rng)
    rows = tuple((t.where(k), number(float(t.volts[true + 1, k]), "V")) for k in sorted(read))
    rows += tuple((f"code {code}", text) for code, text in codes[:2])
    order = [int(k) for k in rng.permutation(len(named))]
    suspects = listed([t.told(named[k]) for k in order])
    return Item(key, "supported", "choice", CALL, t.name,
                f"Key on, everything plugged. Suspects are these alone: {suspects}. Do these readings support the call "
                f"\"{t.told(called)}\"?", rows, options, number_right, because=because[:1].upper() + because[1:],
                rings=rings(t, true, read), level={"against": 1, "alone": 2, "others": 3}[what])  # fmt: skip


# Inside ---------------------------------------------------------------------------------------------------------------


def _left(t: FaultTable, rng: np.random.Generator, odd: int = 1) -> tuple[list[int], list[int]] | None:
    """A few readings of a fault, and faults at other places that show the same there, the fault first."""
    n = int(rng.integers(len(t.cells)))
    read = drawn_readings(t, n, rng, odd, 1)
    if read is None:
        return None
    off = np.abs(t.volts[1:, read] - t.volts[n + 1, read])
    near = t.u(t.volts[n + 1, read])
    same = [int(m) for m in np.flatnonzero((off < near).all(axis=1)) if m != n]
    places, some = {t.cells[n].suspect.place}, [n]
    for m in rng.permutation(same)[:SPREAD] if same else ():
        place = t.cells[int(m)].suspect.place
        if place not in places and len(some) < SUSPECTS:
            places.add(place)
            some.append(int(m))
    return read, some


def _classes(t: FaultTable, rows: np.ndarray) -> tuple[np.ndarray, list[int]]:
    """Numbers of what a reading at every point would tell apart, (faults, points); and the points where no two
    readings are too near to say."""
    rank = np.argsort(rows, axis=0)
    v = np.take_along_axis(rows, rank, axis=0)
    u = t.u(v)
    gap, room = np.diff(v, axis=0), u[1:] + u[:-1]
    clear = np.isfinite(rows).all(axis=0) & ((gap <= room) | (gap >= APART + 4 * room)).all(axis=0)
    number = np.vstack([np.zeros((1, rows.shape[1]), dtype=int), np.cumsum(gap > room, axis=0)])
    out = np.empty_like(number)
    np.put_along_axis(out, rank, number, axis=0)
    return out, np.flatnonzero(clear).tolist()


def _parted(t: FaultTable, v: np.ndarray, classes: np.ndarray) -> str:
    """How many suspects show what: 3 at 5 V and 1 at 0 V."""
    if classes.max() == 0:
        return "not at all"
    shown = [(int((classes == c).sum()), float(v[classes == c].mean())) for c in range(classes.max() + 1)]
    return " and ".join(f"{many} at {number(x, 'V')}" for many, x in shown)


def _spoken(t: FaultTable, ruled: list[int], against: np.ndarray, read: list[int]) -> str:
    told = (
        f"with {t.cells[m].suspect}, {t.points[read[int(against[m].argmax())]]} would read otherwise" for m in ruled
    )
    return "; ".join(told)

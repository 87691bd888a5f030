"""Advice: which test pays next, and why, in a sentence.

In: a drawing, what the evidence says so far, and where somebody stands. Out: `Advice`s, best first: expected
information about which suspect it is, in bits, per minute, moves included; where it changes the choice, with what would
be done after it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from casekit.bench import minutes
from casekit.bench.meter import FUNCTIONS
from casekit.bench.reading import FALSE_MARK, FOUND_LASTING, FOUND_LOOSE
from casekit.circuit.change import Change
from casekit.machine.machine import Machine
from casekit.machine.rules import LOGIC_V
from casekit.machine.state import State
from casekit.reasoning.alone import alone
from casekit.reasoning.belief import entropy_bits
from casekit.reasoning.evidence import predictor
from casekit.reasoning.hypotheses import AWAY, Hypotheses
from casekit.reasoning.information import classes, discrete_bits, gaussian_bits, grouped_bits
from casekit.reasoning.likelihood import SLIP
from casekit.reasoning.offer import Offer, Standpoint, offers
from casekit.reasoning.prior import LOOSE_KINDS, ROAD, presence
from casekit.reasoning.signs import LOOK_KINDS
from casekit.reasoning.verdict import Verdict
from casekit.reasoning.words import number

SHARED = {"volts": (0.004, 0.002), "millivolts": (0.15, 5e-5)}  # what healthy parts add, rough
SHORT = 250  # tests whose information is worked out exactly
AHEAD = 8  # tests that are tried with what would follow
HIDES = 0.5  # how often a loose fault hides after a shift (common practice, no source)
AGAIN, SEEN = 0.5, 0.9  # chances where a fault that comes and goes was not seen, and where it was
OPERATED = 0.1  # belief in faults that come and go, or in worn tracks, from which operating the machine is considered


@dataclass(frozen=True)
class Advice:
    """A test with what it is expected to tell (bits), its minutes, and a sentence that says why."""

    offer: Offer
    bits: float
    minutes: float
    why: str

    @property
    def rate(self) -> float:
        """Bits per minute."""
        return self.bits / self.minutes

    def __str__(self) -> str:
        return f"{str(self.offer)[0].upper()}{str(self.offer)[1:]}: {self.why}"


def advise(drawing: Machine, verdict: Verdict, here: Standpoint, most: int = 5, ahead: bool = True) -> list[Advice]:
    """The tests that pay best from here, the best first. Empty when nothing is left to find out."""
    return Planner(drawing, verdict, here).best(most, ahead)


class Planner:
    """All offers from one standpoint, with what each would show under every hypothesis."""

    @alone
    def __init__(self, drawing: Machine, verdict: Verdict, here: Standpoint):
        self.drawing, self.here, self.hypotheses = drawing, here, Hypotheses.of(verdict)
        p = self.hypotheses.p(0.5)
        loose, worn = p[self.hypotheses.loose].sum(), p[self.hypotheses.worn].sum()
        read = {(o.state, o.function, o.red, o.black) for o in verdict.numbers}
        self.shown = _shown_in(drawing, verdict)
        # What was wrong at a point tells no more when it is read again with the key elsewhere.
        # But a worn track is asked about with the lever elsewhere.
        held = (lambda state: state.held) if worn > OPERATED else (lambda state: None)
        known = {
            (o.state.unplugged, held(o.state), o.function, o.red, o.black)
            for o in verdict.numbers if o.state in self.shown
        }  # fmt: skip
        self.drives = sum(s.kind == "road" for s in verdict.signs)
        self.road = any(s.kind == "road" and s.said for s in verdict.signs)  # it brought something to light
        scanned = {s.state for s in verdict.signs if s.kind == "speeds"} | {x[0] for x in read if x[1] == "inside"}
        self.offers = [
            o for o in offers(drawing, here, max(loose, worn) > OPERATED, here.state in self.shown)
            if (o.state, o.kind, o.red, o.black) not in read and not (o.kind == "scan" and o.state in scanned)
            and (o.state.unplugged, held(o.state), o.kind, o.red, o.black) not in known
            and not (o.kind == "road test" and self.road)
        ]  # fmt: skip
        been = {_plugged(o.state): o.state for o in verdict.numbers}
        sorts = [(o.state, o.kind == "road test") for o in self.offers]  # all that it depends on
        there = {sort: self._there(o, been) for sort, o in dict(zip(sorts, self.offers, strict=True)).items()}
        self.chances = {x: self.hypotheses.p(x) for x in set(there.values())}
        self.there = [there[sort] for sort in sorts]
        self.guess, self.access = predictor(drawing), drawing.access_min
        self.names = verdict.suspects
        self._made: dict[State, list[Change]] = {}
        self.mean: dict[int, np.ndarray] = {}
        self.sigma: dict[int, np.ndarray] = {}
        self.outcome: dict[int, np.ndarray] = {}  # of tests without a number
        self._measure()
        self.guess.forget()

    def best(self, most: int, ahead: bool) -> list[Advice]:
        """The best tests; with a look ahead where two tests in a row tell more per minute."""
        h = self.hypotheses
        if entropy_bits(np.bincount(h.group, h.p(0.5))) < 0.05:
            return []
        bits = self.bits()
        cost = np.array([o.minutes + self._risk(o) for o in self.offers])
        rate = bits / cost
        order = [int(k) for k in np.argsort(-rate, kind="stable") if bits[k] > 0.01]
        if ahead and order:
            order = self._ahead(order, bits, cost, rate)
        chosen, seen = [], set()
        for k in order:
            o = self.offers[k]
            if (o.kind, o.red, o.place) not in seen:
                seen.add((o.kind, o.red, o.place))
                chosen.append(Advice(o, float(bits[k]), float(o.minutes), self._why(k, float(bits[k]))))
            if len(chosen) == most:
                break
        return chosen

    def bits(self) -> np.ndarray:
        """Expected bits about which suspect it is, of every offer."""
        h, out = self.hypotheses, np.zeros(len(self.offers))
        for there, p in self.chances.items():
            rows = np.array([k for k in self.mean if self.there[k] == there], dtype=int)
            if not len(rows):
                continue
            mean, sigma = (np.array([table[k] for k in rows]) for table in (self.mean, self.sigma))
            coarse = discrete_bits(p, classes(p, mean, sigma))
            # The quick figure makes the short list, the exact one ranks it.
            short = np.argsort(-coarse / np.array([self.offers[k].minutes for k in rows]), kind="stable")[:SHORT]
            out[rows] = 0.9 * np.minimum(coarse, 0.5)
            out[rows[short]] = (1 - SLIP) * gaussian_bits(p, mean[short], sigma[short], h.group)
        for k, chance in self.outcome.items():
            out[k] = grouped_bits(self.chances[self.there[k]], chance, h.group)
        return out

    # Inside ---------------------------------------------------------------------------------------------------------

    def _there(self, o: Offer, been: Mapping[State, State]) -> float:
        """Chance that a fault that comes and goes is there: high where it was seen, less with every state of that sort
        in which it was not. `been`: the last state of each sort that was read in."""
        if o.kind == "road test":
            return ROAD * AGAIN**self.drives
        base = _plugged(o.state)
        if base in map(_plugged, self.shown):
            return SEEN
        usual = presence(o.state)[0]
        alike = sum(presence(s)[0] == usual and s not in self.shown for s in been.values())
        return usual * (AGAIN if base in been else 1.0) * AGAIN**alike

    def _measure(self) -> None:
        by_state: dict[State, list[int]] = {}
        for k, o in enumerate(self.offers):
            if o.kind in ("volts", "millivolts"):
                by_state.setdefault(o.state, []).append(k)
            elif o.kind in ("scan", "codes"):
                self.outcome[k] = self._unit(o)
            elif o.kind == "road test":
                self.outcome[k] = self._road()
            else:
                self.outcome[k] = self._seen(o)
        for state, members in by_state.items():
            pairs = [(self.offers[k].red, self.offers[k].black) for k in members]
            mean = self.guess.volts(state, self._changes, pairs)
            for kind in ("volts", "millivolts"):
                mine = [n for n, k in enumerate(members) if self.offers[k].kind == kind]
                value, sigma = _shown(kind, mean[:, mine])
                for n, v, u in zip(mine, value.T, sigma.T, strict=True):
                    self.mean[members[n]], self.sigma[members[n]] = v, u

    def _changes(self, state: State) -> list[Change]:
        if state not in self._made:
            self._made[state] = self.hypotheses.changes(self.drawing, state)
        return self._made[state]

    def _unit(self, o: Offer) -> np.ndarray:
        """Scan data and codes in classes: everything the unit shows at once is one outcome."""
        views = self.guess.views(o.state, self._changes)
        n = len(self.hypotheses.cells)
        columns = []
        program = self.drawing.program
        for c in program.channels:
            if c.name in views.volts:
                if o.kind == "scan":
                    v = np.nan_to_num(views.volts[c.name], nan=-1.0)
                    columns.append(classes(np.full(n, 1 / n), v[None], np.full((1, n), 0.03 + 0.004 * 5))[0])
                elif c.limits_v:
                    columns.append(_beyond(c.limits_v, views.volts[c.name]))
            elif c.name in views.arrives and o.state.turning:
                columns.append((views.arrives[c.name] >= 1).astype(int))
        columns.append((views.logic_v > LOGIC_V).astype(int))
        return self._joint(columns)

    def _road(self) -> np.ndarray:
        """What a road test brings to light: the channels that would be wrong, all at once, is one outcome."""
        run = State("run")
        views = self.guess.views(run, self._changes)
        columns = [(arrives < 1).astype(int) for arrives in views.arrives.values()]
        for c in self.drawing.program.channels:
            if c.name in views.volts and c.limits_v:
                columns.append(_beyond(c.limits_v, views.volts[c.name]))
        return self._joint(columns)

    def _joint(self, columns: list[np.ndarray]) -> np.ndarray:
        """Chances of joint outcomes, (hypotheses, outcomes)."""
        _, number = np.unique(np.array(columns), axis=1, return_inverse=True)
        number = number.reshape(-1)
        count = int(number.max()) + 1
        chance = np.full((len(number), count), SLIP / count)
        chance[np.arange(len(number)), number] += 1 - SLIP
        return chance

    def _seen(self, o: Offer) -> np.ndarray:
        """Chances of what a look or a shift brings to light, (hypotheses, outcomes)."""
        h, rows = self.hypotheses, []
        wires = [w for w, _ in self.drawing.contact_point(o.place).wires] if o.kind in ("look", "shift") else []
        for cell, loose in zip(h.cells, h.loose, strict=True):
            there = cell is not None and cell.spot == o.place and cell.suspect.kind in LOOSE_KINDS
            if o.kind == "look":
                row = np.full(len(wires) + 1, FALSE_MARK / len(wires))
                row[-1] = 1 - FALSE_MARK
                if there:
                    find = FOUND_LOOSE if loose else FOUND_LASTING
                    row = row * (1 - find)
                    place = cell.suspect.place if cell.suspect.place in wires else cell.suspect.to
                    row[wires.index(place)] += find
            elif o.kind == "inside":
                own = cell is not None and cell.suspect.place.rpartition(".")[0] == o.place
                find = 0.98 if own and cell.suspect.kind in LOOK_KINDS else 0.0
                row = np.array([find, 1 - find])
            else:
                find = 0.8 if loose and there else 0.02
                row = np.array([find, 1 - find])
            rows.append(row)
        return np.array(rows)

    def _risk(self, o: Offer) -> float:
        """Minutes a test may cost beyond its own: a harness moved unseen may hide the fault until a road test."""
        if o.kind != "shift" or o.place in self.here.looked:
            return 0.0
        h = self.hypotheses
        here = [c is not None and c.spot == o.place for c in h.cells]
        return float(h.p(1.0)[h.loose & np.array(here, dtype=bool)].sum() * HIDES * minutes.ROAD_TEST)

    def _ahead(self, order: list[int], bits: np.ndarray, cost: np.ndarray, rate: np.ndarray) -> list[int]:
        """Order by what two tests in a row tell per minute, where that is more than one alone does."""
        short = [k for k in order[:60] if k in self.mean]
        if not short:
            return order
        mean, sigma = (np.array([table[k] for k in short]) for table in (self.mean, self.sigma))
        value = {k: rate[k] for k in order}
        for k in order[:AHEAD]:
            p = self.chances[self.there[k]]
            first, after = self._classes(k), classes(p, mean, sigma)
            price = np.array([self._price(k, j) for j in short])
            gained, spent = bits[k], cost[k]
            for outcome in np.unique(first):
                mine = first == outcome
                share = p[mine].sum()
                if share < 0.02:
                    continue
                more = discrete_bits(p[mine] / share, after[:, mine])
                best = int((more / price).argmax())
                if more[best] > 0.01:
                    gained += share * more[best]
                    spent += share * price[best]
            value[k] = max(value[k], gained / spent)
        return sorted(order, key=lambda k: -value[k])

    def _price(self, first: int, then: int) -> float:
        """Minutes of a test made right after another: what was moved or laid open stays so."""
        a, b = self.offers[first], self.offers[then]
        opened = sum(self.access.get(x, 0.0) for x in b.reached - self.here.reached - a.reached)
        if b.state == a.state:
            return b.work + opened
        price = {"key": 0.1, "operate": minutes.OPERATE, "release": minutes.OPERATE}
        moved = sum(price.get(m, minutes.PLUG) for m, _ in (*a.moves, *b.moves))
        return b.work + opened + moved

    def _classes(self, k: int) -> np.ndarray:
        if k in self.mean:
            return classes(self.chances[self.there[k]], self.mean[k][None], self.sigma[k][None])[0]
        return self.outcome[k].argmax(axis=1)

    def _why(self, k: int, bits: float) -> str:
        """What two likely suspects that the test tells apart would show."""
        h, o = self.hypotheses, self.offers[k]
        text = f"{bits:.2f} bit in {o.minutes:.1f} min"
        p = self.chances[self.there[k]]
        mass = np.bincount(h.group, p, len(self.names))
        top = [int(g) for g in np.argsort(-mass)[:8] if mass[g] > 0.002]
        first = self._classes(k)
        if k not in self.mean:
            main = {g: np.bincount(first[h.group == g], p[h.group == g]).argmax() for g in top}
            apart = [g for g in top if main[g] != main[top[0]]]
            other = f" from {self.names[apart[0]]}" if apart else " from the others"
            return f"{text}; it tells {self.names[top[0]]}{other}."
        there = [(h.group == g) & (h.role != AWAY) for g in top]
        each = {g: _average(p[m], self.mean[k][m]) for g, m in zip(top, there, strict=True)}
        u = float(np.nanmedian(self.sigma[k]))

        def apart(a: int, b: int) -> float:
            if np.isnan(each[a]) or np.isnan(each[b]):
                return 5.0 * (np.isnan(each[a]) != np.isnan(each[b]))
            return min(abs(each[a] - each[b]) / u, 5.0)

        pairs = [(mass[a] * mass[b] * apart(a, b), a, b) for a in top for b in top if a < b]
        if not pairs:
            return f"{text}; {self.names[top[0]]} would show about {number(float(each[top[0]]), 'V')}."
        _, a, b = max(pairs)
        shows = [f"{self.names[g]} would show about {number(float(each[g]), 'V')}" for g in (a, b)]
        return f"{text}; {shows[0]}, {shows[1].replace(' would show', '')}."


def _plugged(state: State) -> State:
    return replace(state, unplugged=frozenset())


def _shown_in(drawing: Machine, verdict: Verdict) -> frozenset[State]:
    """States in which a reading, or a road test, showed something that a healthy machine does not."""
    good, u = verdict.healthy
    off = np.abs(np.array([o.value for o in verdict.numbers]) - good) > 3 * u
    said = " ".join(s.event.text for s in verdict.signs if s.kind == "road")
    drives = {state for state in drawing.drive(State()) if f"({state})" in said}
    return drives | frozenset(o.state for o, x in zip(verdict.numbers, off, strict=True) if x)


def _beyond(limits_v: tuple[float, float], volts: np.ndarray) -> np.ndarray:
    """0 within the limits of a channel, 1 below them (and for no voltage at all), 2 above them."""
    v = np.nan_to_num(volts, nan=-1.0)
    return (v < limits_v[0]).astype(int) + 2 * (v > limits_v[1])


def _average(p: np.ndarray, value: np.ndarray) -> float:
    """Mean of values; none where most of the chance is on "off the scale"."""
    good = np.isfinite(value)
    return float(p[good] @ value[good] / p[good].sum()) if p[good].sum() > 0.5 * p.sum() > 0 else float("nan")


def _shown(kind: str, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What a meter would show of a value, and with what standard uncertainty in all."""
    function = FUNCTIONS[kind]
    value = np.where(np.abs(value) > function.ranges[-1].full, np.nan, value)
    share, floor = SHARED[kind]
    return value, np.hypot(function.u(value), share * np.abs(np.nan_to_num(value)) + floor)

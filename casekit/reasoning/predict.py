"""What every suspect predicts of every observation, with how each prediction moves when the healthy parts do.

In: observations taken in one state, and changes. Out: a `Prediction`: means, what they share (one column for every
quantity that is not known, per standard uncertainty), and the rest of their variance. All with the physics of the
bench, by one family of networks per state.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp

from casekit.bench.meter import FUNCTIONS, INPUT_OHM, MINMAX_S
from casekit.circuit.change import Change, joined
from casekit.circuit.family import Family
from casekit.circuit.readout import Solved
from casekit.machine.law import Retry
from casekit.machine.machine import Machine, Part
from casekit.machine.program import REFERENCE_V, Channel
from casekit.machine.rules import SEEN_SHARE, SWING_V
from casekit.machine.sensors import HallSwitch, InductivePickup
from casekit.machine.state import State
from casekit.machine.unit import Core, Supply
from casekit.reasoning import spread
from casekit.reasoning.forcing import Forcing
from casekit.reasoning.observation import Observation

BEYOND_V = 3.0  # how far above the reading the meter's test current comes from
AT_ONCE = 2048
FLOATS = 0.02  # how exact a resistance is where it is seen without the test current, as a share
WINDOW = 0.3  # how much of a swing the averages of min/max may miss, as a share of it
Maker = Callable[[State], Sequence[Change]]  # the changes of all suspects in a state


@dataclass(frozen=True)
class Prediction:
    """`mean` (items, n), `moves` (items, n, quantities) per standard uncertainty of each, `variance` (items, n) of what
    only one reading feels."""

    mean: np.ndarray
    moves: np.ndarray
    variance: np.ndarray

    def rows(self, some: np.ndarray) -> Prediction:
        """Of some items alone."""
        return Prediction(self.mean[some], self.moves[some], self.variance[some])

    def of(self, members: Sequence[int]) -> Prediction:
        """Of some readings alone."""
        return Prediction(self.mean[:, members], self.moves[:, members], self.variance[:, members])


@dataclass(frozen=True)
class Views:
    """What the control unit sees, one of everything per change: its logic supply (volt), volts inside by channel, and
    by speed channel how strongly its signal arrives (1 is just enough)."""

    logic_v: np.ndarray
    volts: dict[str, np.ndarray]
    arrives: dict[str, np.ndarray]


class Predictor:
    """Predictions on one drawing. Families are kept, so that a state is prepared once."""

    def __init__(self, drawing: Machine):
        self.drawing = drawing
        self._families: dict[State, Family] = {}
        self._forcings: dict[State, tuple[Forcing, Forcing]] = {}
        self._solved_last: dict[State, tuple[Sequence[Change], Solved]] = {}
        self.retry = [s for s in drawing.all(Supply) if s.retry is not None and s.alive]

    @cached_property
    def shared(self) -> list[tuple[Part, Part]]:
        """Quantities that many readings have in common."""
        return list(spread.shared(self.drawing))

    @cached_property
    def converted(self) -> dict[str, bool]:
        """By channel, whether its volts pass the converter; a supply's are measured by other means."""
        return {c.name: c.kind != "supply" for c in self.drawing.program.channels}

    @cached_property
    def copper(self) -> list[tuple[Part, Part]]:
        """Wires and contacts."""
        return list(spread.copper(self.drawing))

    def family(self, state: State) -> Family:
        """The family of a state (with its phase)."""
        if state not in self._families:
            self._families[state] = Family(self.drawing, state)
        return self._families[state]

    def solved(self, state: State, changes: Sequence[Change]) -> Solved:
        """The solutions of a list of changes; asked again for the same list in a state they are the same."""
        kept = self._solved_last.get(state)
        if kept is None or kept[0] is not changes:
            self._solved_last[state] = kept = changes, self.family(state).solve(changes)
        return kept[1]

    def forget(self) -> None:
        """Let go of solutions that were kept for the same list of changes."""
        self._solved_last.clear()

    def predict(
        self, state: State, taken: Sequence[Observation], maker: Maker, width: np.ndarray | None = None
    ) -> Prediction:
        """Predictions of observations taken in one state, under all changes that `maker` makes for it.

        `width` (items, 2, 2) are pairs (number of a port, standard uncertainty of its size in the unit of its `e`), two
        for every change; the last two columns of `moves` say what they do. Without `width` there are only means.
        """
        parts = []
        plain = [k for k, o in enumerate(taken) if o.function not in ("ohms", "loaded volts")]
        groups = [plain] if plain else []
        groups += [[k] for k, o in enumerate(taken) if o.function in ("ohms", "loaded volts")]
        for group in groups:
            parts.append((group, self._together(state, [taken[k] for k in group], maker, width)))
        items = len(parts[0][1].mean)
        mean, variance = np.empty((2, items, len(taken)))
        moves = np.empty((items, len(taken), len(self.shared) + 2))
        for group, found in parts:
            mean[:, group], variance[:, group], moves[:, group] = found.mean, found.variance, found.moves
        return Prediction(mean, moves, variance)

    def means(self, state: State, taken: Sequence[Observation], maker: Maker) -> np.ndarray:
        """Means alone, (items, n)."""
        return self.predict(state, taken, maker).mean

    def volts(self, state: State, maker: Maker, pairs: Sequence[tuple[str, str]]) -> np.ndarray:
        """What a meter shows between pairs of points, (items, pairs)."""
        return sum(
            share * self._averaged(self.solved(phase, maker(phase)), lambda x: x.readings(pairs)[0])
            for share, phase in self.drawing.phases(state)
        )

    def views(self, state: State, maker: Maker) -> Views:
        """What the control unit would see inside in a state, under all changes."""
        program, (core,) = self.drawing.program, self.drawing.all(Core)
        ground = f"{core.name}.gnd"
        channels = [c for c in program.channels if c.kind != "speed" and c.node]
        speeds = [c for c in program.channels if c.kind == "speed"]
        halls = [c for c in speeds if isinstance(self._sensor(c), HallSwitch)]
        pairs = [(c.node, ground) for c in (*channels, *halls)] + [(f"{core.name}.vcc", ground)]
        phases = self.drawing.phases(state)
        mean, swings, arrives = 0.0, [], {}
        for share, phase in phases:
            changes = maker(phase)
            if len(changes) <= AT_ONCE:
                solved = [self.solved(phase, changes)]
            else:
                solved = [self.family(phase).solve(changes[k : k + AT_ONCE]) for k in range(0, len(changes), AT_ONCE)]
            values = np.concatenate([self._averaged(s, lambda x: x.values(x.family.pick(pairs))) for s in solved])
            mean = mean + share * values
            swings.append(values[:, len(channels) : -1])
            if phase == phases[0][1]:
                for c in speeds:
                    if c not in halls:
                        arrives[c.name] = np.concatenate([self._coil(s, c) for s in solved])
        swing = np.abs(swings[-1] - swings[0])
        arrives |= {c.name: swing[:, n] / SWING_V for n, c in enumerate(halls)}
        return Views(mean[:, -1], dict(zip((c.name for c in channels), mean.T, strict=False)), arrives)

    # Inside ---------------------------------------------------------------------------------------------------------

    def _averaged(self, solved: Solved, read: Callable[[Solved], np.ndarray]) -> np.ndarray:
        """What is read of changes, averaged over the on and off times of a retrying supply that stands at its limit."""
        found = read(solved)
        for retry, at_limit, off in self._off(solved):
            found[at_limit] = retry.duty * found[at_limit] + (1 - retry.duty) * read(off)
        return found

    def _off(self, solved: Solved) -> Iterator[tuple[Retry, np.ndarray, Solved]]:
        """For every retrying supply that stands at its limit under some changes: these, and what is solved with it
        off."""
        for supply in self.retry:
            valve = f"supply {supply.name}"
            at_limit = np.flatnonzero(solved.at_cap(valve, supply.retry.label) & solved.settled)
            if len(at_limit):
                dead = Change((), ((valve, ()),))
                yield supply.retry, at_limit, solved.family.solve([solved.changes[k] + dead for k in at_limit])

    def _sensor(self, channel: Channel) -> HallSwitch | InductivePickup:
        return self.drawing.part(channel.sensor, (HallSwitch, InductivePickup))

    def _coil(self, solved: Solved, channel: Channel) -> np.ndarray:
        """The share of a pick-up's voltage that arrives between two inputs, over the share that must."""
        family, part = solved.family, self._sensor(channel)
        inside = [(n, "") for n in family.network.index if n.startswith("input ")]
        picks = family.pick([(n, self.drawing.earth) for n, _ in inside])
        per_volt = solved.sensitivities(picks, np.array([family.position[part.name]]))[:, :, 0]
        per_volt *= 1 / max(1.0, part.coil_ohm)
        return (per_volt.max(axis=1) - per_volt.min(axis=1)) / SEEN_SHARE

    def _together(
        self, state: State, taken: Sequence[Observation], maker: Maker, width: np.ndarray | None
    ) -> Prediction:
        """The phases of what turns, and the on and off times of a retrying supply, weighted by their shares."""
        phases = []
        for share, phase in self.drawing.phases(state):
            changes, meter = maker(phase), _instrument(taken)
            if meter.ports:
                changes = [c + meter for c in changes]
            spans = [slice(k, k + AT_ONCE) for k in range(0, len(changes), AT_ONCE)]
            phases.append((share, stacked([self._solved(phase, changes[x], taken, _rows(width, x)) for x in spans])))
        if taken[0].function == "ohms":
            self._without_test_current(state, taken[0], maker, phases[0][1])
        mean = sum(share * p.mean for share, p in phases)
        moves = sum(share * p.moves for share, p in phases)
        variance = sum(share * p.variance for share, p in phases)
        if len(phases) > 1:
            values = np.array([p.mean for _, p in phases])
            least, most = values.min(axis=0), values.max(axis=0)
            _watched(taken, mean, variance, least, most)
        return Prediction(mean, moves, variance)

    def _without_test_current(self, state: State, o: Observation, maker: Maker, found: Prediction) -> None:
        """Where nothing settles under the test current (a part that floats on nothing but leaks), what the leads see
        without it: a resistance that is good enough there."""
        lost = np.flatnonzero(np.isnan(found.mean[:, 0]))
        if len(lost):
            every = maker(state)
            _, ohms = self.family(state).solve([every[k] for k in lost]).readings([(o.red, o.black)])
            found.mean[lost] = ohms
            found.moves[lost], found.variance[lost] = 0.0, np.square(FLOATS * ohms)

    def _solved(
        self, state: State, changes: Sequence[Change], taken: Sequence[Observation], width: np.ndarray | None
    ) -> Prediction:
        solved = self.family(state).solve(changes)
        found = self._read(solved, taken, width)
        for retry, at_limit, without in self._off(solved):
            off, duty = self._read(without, taken, _rows(width, at_limit)), retry.duty
            on_mean = found.mean[at_limit]
            found.mean[at_limit] = duty * on_mean + (1 - duty) * off.mean
            found.moves[at_limit] = duty * found.moves[at_limit] + (1 - duty) * off.moves
            # A window of min/max holds a part of its time on, all of it, or none.
            shares = max(0.0, 1 - retry.off_s / MINMAX_S), min(1.0, retry.on_s / MINMAX_S)
            ends = np.array([off.mean + share * (on_mean - off.mean) for share in shares])
            mean, variance = found.mean[at_limit], found.variance[at_limit]
            _watched(taken, mean, variance, ends.min(axis=0), ends.max(axis=0))
            found.mean[at_limit], found.variance[at_limit] = mean, variance
        return found

    def _forcing(self, family: Family) -> tuple[Forcing, Forcing]:
        """How what is shared, and copper, act on a family; worked out once."""
        if family.state not in self._forcings:
            self._forcings[family.state] = Forcing(family, self.shared), Forcing(family, self.copper)
        return self._forcings[family.state]

    def _read(self, solved: Solved, taken: Sequence[Observation], width: np.ndarray | None) -> Prediction:
        family = solved.family
        picks = _picks(family, taken)
        metered = [k for k, o in enumerate(taken) if o.function in ("volts", "millivolts", "low", "high")]
        mean, factor = solved.values(picks), np.ones((len(solved.changes), len(taken)))
        if metered:
            volts, ohms = solved.readings([(taken[k].red, taken[k].black) for k in metered])
            mean[:, metered], factor[:, metered] = volts, 1 / (1 + ohms / INPUT_OHM)
        moves, variance = np.zeros((*mean.shape, len(self.shared) + 2)), np.zeros(mean.shape)
        if width is not None:
            sized = [solved.size_sensitivities(picks, width[:, n, 0].astype(int)) * width[:, n, 1:] for n in range(2)]
            shared, copper = self._forcing(family)
            moves[:, :, :-2] = shared.moves(solved, picks)
            moves[:, :, -2:] = np.stack(sized, axis=2)
            moves *= factor[:, :, None]
            variance = copper.variance(solved, picks) * factor**2
        for k, o in enumerate(taken):
            if o.function == "inside" and self.converted[o.wires[0]]:
                top = REFERENCE_V * (1 - 2.0**-self.drawing.program.adc_bits)
                out = (mean[:, k] < 0) | (mean[:, k] > top)
                mean[:, k] = np.clip(mean[:, k], 0.0, top)  # the converter shows no more, and no less
                moves[out, k], variance[out, k] = 0.0, 0.0
            if o.function == "ohms":
                mean[:, k], slope = _as_ohms(o, mean[:, k])
                moves[:, k] *= slope[:, None]
                variance[:, k] *= slope**2
        return Prediction(mean, moves, variance)


def _picks(family: Family, taken: Sequence[Observation]) -> sp.csr_matrix:
    """Observations x unknowns; a clamp reads the currents of its wires together."""
    pairs = [[(w, "") for w in o.wires] if o.function == "amps" else [(o.red, o.black)] for o in taken]
    picks = family.pick([pair for some in pairs for pair in some])
    if picks.shape[0] == len(taken):
        return picks
    ends = np.cumsum([0, *map(len, pairs)])
    return sp.csr_matrix((np.ones(ends[-1]), np.arange(ends[-1]), ends)) @ picks


def _instrument(taken: Sequence[Observation]) -> Change:
    """What an instrument adds to the circuit: its test current, or a load with the meter across it."""
    o = taken[0]
    if o.function == "loaded volts":
        return joined(o.red, o.black, o.load_ohm) + joined(o.red, o.black, INPUT_OHM)
    if o.function == "ohms":
        emf_v, r_ohm = _source(o)
        return joined(o.red, o.black, r_ohm, emf_v)
    return Change()


def decade(o: Observation) -> int:
    """The range an ohms reading was taken in: its test current is a part of what is predicted. 0 for all others."""
    return FUNCTIONS["ohms"].number(o.value) if o.function == "ohms" else 0


def _source(o: Observation) -> tuple[float, float]:
    """A source that gives the test current of the range just where the reading stands."""
    if o.beyond:
        return BEYOND_V, BEYOND_V / FUNCTIONS["ohms"].ranges[-1].test_a
    used = FUNCTIONS["ohms"].ranges[decade(o)]
    return BEYOND_V + o.value * used.test_a, BEYOND_V / used.test_a


def _as_ohms(o: Observation, volts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(ohms, their slope) of the voltage an ohmmeter finds."""
    emf_v, r_ohm = _source(o)
    left = np.maximum(emf_v - volts, emf_v * 1e-4)  # nearer to its own source a meter shows OL anyway
    return volts * r_ohm / left, r_ohm * emf_v / left**2


def _watched(taken, mean: np.ndarray, variance: np.ndarray, least: np.ndarray, most: np.ndarray) -> None:
    """Min/max of what moves by itself lies near the ends of its swing; so does an average seen for too short a time."""
    for k, o in enumerate(taken):
        if o.function in ("low", "high"):
            mean[:, k] = (least if o.function == "low" else most)[:, k]
            variance[:, k] += np.square(WINDOW * (most - least)[:, k])


def _rows(width: np.ndarray | None, rows: slice | np.ndarray) -> np.ndarray | None:
    return None if width is None else width[rows]


def stacked(parts: Sequence[Prediction], axis: int = 0) -> Prediction:
    """Predictions of more items, or of more readings (axis 1)."""
    names = ("mean", "moves", "variance")
    return Prediction(*(np.concatenate([getattr(p, n) for p in parts], axis=axis) for n in names))

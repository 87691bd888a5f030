"""Waveforms: published transients, conservation laws, the search for events (test_ngspice_time.py has a referee)."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from film import ENDS, chatter, filmed
from scipy.linalg import expm
from scipy.optimize import brentq

from casekit.circuit.crossing import Rates
from casekit.circuit.modes import REOPEN_V, Channel
from casekit.circuit.network import Network
from casekit.circuit.operating_point import Unstable, operating_point, solve
from casekit.circuit.record import SLACK_V, Record
from casekit.circuit.waveform import record
from casekit.error import CircuitError
from casekit.files.library import machine_file
from casekit.machine.drawn import drawn
from casekit.machine.faults import HighResistance, ShortBetweenWires, ShortToGround
from casekit.machine.law import Cap, Capacitor, Changing, Driven, Gate, Resistor, Source, Valve
from casekit.machine.motion import Presence, scene
from casekit.machine.state import State


@pytest.fixture(scope="module")
def sweeper():
    return drawn(machine_file("street-sweeper"))


def switched(after: float, *elements, before=()) -> Changing:
    """Other elements from `after` (second) on."""
    return Changing((tuple(before), elements), (-math.inf, after), (0, 1))


def charging(volts: float, r_ohm: float, farad: float, end: float, lag_s: float = 0.0) -> Record:
    """A capacitor on a source through a resistor, switched on at 0: its voltage, and that of the resistor."""
    fixed = [Source("E", "a", "0", volts, 0.0), Resistor("R", "b", "c", r_ohm), Capacitor("C", "c", "0", farad)]
    channels = [Channel("c", "0", lag_s), Channel("b", "c")]
    return record(fixed, [switched(0.0, Resistor("S", "a", "b", 0.0))], [], channels, "0", -1.0, end)


def reaches(film: Record, volts: float, end: float) -> float:
    """When the first channel reaches a voltage."""
    return brentq(lambda t: film.volts([t])[0, 0] - volts, 0.0, end, xtol=1e-15)


@pytest.fixture(scope="module")
def chattering(sweeper) -> Record:
    """Two seconds of chatter on the sweeper, four channels."""
    what = scene(sweeper, State("on"), (0.0, 2.0), presences=chatter(sweeper, 3, (0.1, 1.9)))
    return filmed(what, ENDS, 0.0, 2.0, 8e-9)


# --- published transients


@pytest.mark.reference
def test_capacitor_charging():
    """E30, Lessons in Electric Circuits vol. I ch. 16: 15 V, 10 kohm, 100 uF."""
    times = [0.5, 1, 2, 3, 4, 5, 6, 10]
    volts, drops = charging(15.0, 1e4, 1e-4, 12.0).volts(times)
    assert volts == pytest.approx([5.902, 9.482, 12.970, 14.253, 14.725, 14.899, 14.963, 14.999], abs=5.1e-4)
    microamps = [909.8, 551.8, 203.0, 74.68, 27.47, 10.11, 3.718, 0.068]
    assert (np.abs(drops / 1e4 * 1e6 - microamps) <= [0.05, 0.05, 0.05, 0.005, 0.005, 0.005, 5e-4, 5e-4]).all()
    assert charging(15.0, 1e4, 1e-4, 8.0).volts([7.25])[0] == pytest.approx(14.989, abs=5e-4)


@pytest.mark.reference
def test_capacitor_discharging():
    """E32, OpenStax College Physics 21.6: 8.00 uF from 10.0 kV through 1.00 kohm, tau 8.00 ms. (The book multiplies
    the rounded 0.368 by itself: its 1.354 kV is one more in the last digit than e^-2 gives.)"""
    change = switched(0.0, Resistor("R", "c", "0", 1e3), before=[Source("charger", "c", "0", 1e4, 10.0)])
    film = record([Capacitor("C", "c", "0", 8e-6)], [change], [], [Channel("c", "0")], "0", -0.1, 0.03)
    assert film.volts([-0.05])[0] == pytest.approx(1e4, rel=1e-9)
    kilovolts = film.volts([8e-3, 16e-3, 24e-3])[0] / 1e3
    assert (np.abs(kilovolts - [3.68, 1.354, 0.498]) <= [5e-3, 1e-3, 5e-4]).all()
    assert reaches(film, 1e4 / math.e, 0.03) == pytest.approx(8.00e-3, rel=1e-8)


@pytest.mark.reference
def test_relaxation_times():
    """E33, OpenStax University Physics vol. 2, 10.5: 100 V, 101 ohm, 50 mF to 80 V in 8.13 s; wipers: 12 V to 10 V on
    10 mF in 10 s with 558.11 ohm, in 179.18 s with 10 kohm."""
    assert reaches(charging(100.0, 101.0, 50e-3, 20.0), 80.0, 20.0) == pytest.approx(8.13, abs=5e-3)
    assert reaches(charging(12.0, 558.11, 10e-3, 20.0), 10.0, 20.0) == pytest.approx(10.0, abs=5e-4)
    assert reaches(charging(12.0, 1e4, 10e-3, 300.0), 10.0, 300.0) == pytest.approx(179.18, abs=5e-3)


def rise(tau_s: float, lag_s: float) -> float:
    """10-90 % time of a channel with a lag that looks at a capacitor charging with `tau_s`."""
    film = charging(1.0, 1.0, tau_s, 60 * (tau_s + lag_s), lag_s)
    return reaches(film, 0.9, 60 * (tau_s + lag_s)) - reaches(film, 0.1, 60 * (tau_s + lag_s))


@pytest.mark.reference
def test_rise_time_and_bandwidth():
    """I1: 10-90 % rise time of a single pole 2.1972 tau; times its bandwidth ln 9 / (2 pi) = 0.34970. The bandwidth is
    where a sine (400 straight lines a period) comes out at 1/sqrt 2."""
    lag_s, period = 1e-3, 2 * math.pi * 1e-3
    rising = rise(1e-10, lag_s)
    assert rising / lag_s == pytest.approx(2.1972, abs=1e-4)
    assert rising / (2 * math.pi * lag_s) == pytest.approx(0.34970, abs=1e-5)
    times = np.arange(6 * 400 + 1) / 400 * period
    sine = Driven(Source("E", "a", "0", 0.0, 0.0), tuple(times), tuple(np.sin(times / lag_s)))
    film = record([Resistor("R", "a", "0", 1e3)], [], [sine], [Channel("a", "0", lag_s)], "0", 0.0, 6 * period)
    low, high = film.envelope(np.array([5 * period, 6 * period]))
    assert [low[0, 0], high[0, 0]] == pytest.approx([-math.sqrt(0.5), math.sqrt(0.5)], abs=2e-4)


@pytest.mark.reference
def test_rise_times_in_cascade():
    """I4 (common textbook rule, from memory): squares of rise times add. The rule is exact for Gaussian responses only.
    Two equal poles take 3.3579 tau (from 1 - (1 + x) e^-x), the rule says 7.5 % less; at 1 to 10, 0.3 %."""
    tau = 1e-3
    equal = brentq(lambda x: (1 + x) * math.exp(-x) - 0.1, 0, 9) - brentq(lambda x: (1 + x) * math.exp(-x) - 0.9, 0, 9)
    assert equal == pytest.approx(3.3579, abs=1e-4)
    assert rise(tau, tau) / tau == pytest.approx(3.3579, abs=1e-4)
    rule = {k: math.hypot(math.log(9) * tau, math.log(9) * k * tau) / rise(tau, k * tau) - 1 for k in (1, 3, 10)}
    assert rule[1] == pytest.approx(-0.0746, abs=1e-3)
    assert rule[3] == pytest.approx(-0.0313, abs=1e-3)
    assert rule[10] == pytest.approx(-0.0031, abs=1e-3)


# --- laws


def test_charge_is_conserved():
    """4.7 uF at 12 V shared with 2.2 uF, twice, through two resistors: C1 v1 + C2 v2 stays."""
    caps = [Capacitor("C1", "a", "0", 4.7e-6), Capacitor("C2", "b", "0", 2.2e-6)]
    forms = (
        (Source("charger", "a", "0", 12.0, 1.0),),
        (Resistor("S1", "a", "b", 50.0),),
        (Resistor("S2", "a", "b", 9e3),),
    )
    change = Changing(forms, (-1.0, 0.0, 1e-4), (0, 1, 2))
    film = record(caps, [change], [], [Channel("a", "0"), Channel("b", "0")], "0", -0.01, 0.5)
    v1, v2 = film.volts(np.linspace(0.0, 0.5, 1001))
    assert v1[0] - v2[0] == pytest.approx(12.0, abs=1e-6)
    assert 4.7e-6 * v1 + 2.2e-6 * v2 == pytest.approx(np.full(1001, 4.7e-6 * 12.0), rel=1e-6)
    assert v1[-1] == pytest.approx(v2[-1], abs=1e-6)


def pieces(film: Record, begin: float, end: float) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights to integrate over a record: eight Gauss points in every octave after every event."""
    cuts = np.unique([begin, *film.starts[(film.starts > begin) & (film.starts < end)], end])
    octaves = np.concatenate([[0.0], 2.0 ** np.arange(-40, 1)])
    edges = cuts[:-1, None] + np.diff(cuts)[:, None] * octaves
    nodes, weights = np.polynomial.legendre.leggauss(8)
    half = np.diff(edges, axis=1)[..., None] / 2
    return (edges[:, :-1, None] + half * (1 + nodes)).ravel(), (half * weights).ravel()


def test_energy_balance():
    """What a source gives is dissipated or stored, while a contact bounces: 12 V, 100 ohm, 10 uF with 1 kohm across."""
    fixed = [
        Source("E", "a", "0", 12.0, 0.0), Resistor("R", "b", "c", 100.0), Capacitor("C", "c", "0", 1e-5),
        Resistor("load", "c", "0", 1e3),
    ]  # fmt: skip
    bounce = Changing(
        ((), (Resistor("S", "a", "b", 0.2),)), (-1.0, 0.0, 1e-3, 2e-3, 2.5e-3, 2.7e-3), (0, 1, 0, 1, 0, 1)
    )
    film = record(fixed, [bounce], [], [Channel("b", "c"), Channel("c", "0")], "0", -1e-3, 0.02)
    amps = film.means(np.array([0.0, 0.02]))[0, 0] / 100.0
    t, weight = pieces(film, 0.0, 0.02)
    drop, volts = film.volts(t)
    lost = weight @ (drop**2 * 100.2 / 100.0**2 + volts**2 / 1e3)
    stored = 0.5e-5 * film.volts([0.02])[1, 0] ** 2
    assert 12.0 * amps * 0.02 == pytest.approx(lost + stored, rel=1e-7)


def test_the_clock_does_not_matter(sweeper):
    """The same chatter 4,096 s later gives the same values."""
    ends, t = ENDS[:2], np.linspace(0.0, 0.1, 5001) + 7e-6
    films = []
    for late in (0.0, 4096.0):
        presences = [replace(p, times=np.array(p.times) + late) for p in chatter(sweeper, 5, (0.01, 0.1), 20)]
        span = (late, late + 0.11)
        films.append(filmed(scene(sweeper, State("on"), span, presences=presences), ends, *span).volts(t + late))
    assert films[1] == pytest.approx(films[0], abs=1e-6)


def test_a_change_that_changes_nothing(sweeper):
    """Parts that come and go as they are give the same values as parts that stay."""
    plain = scene(sweeper, State("on"), (0.0, 0.1), presences=chatter(sweeper, 5, (0.01, 0.1), 20))
    names = {"B9 track", "W60b", "supply V2", "B9 output source", "W12a"}
    some = tuple(el for el in plain.elements if el.name in names)
    assert len(some) >= 4
    change = Changing((some, some), (-1.0, *np.linspace(0.0, 0.1, 41)), (0, *[1, 0] * 20, 1))
    fixed = tuple(el for el in plain.elements if el not in some)
    split = replace(plain, elements=fixed, changing=(*plain.changing, change))
    t = np.linspace(0.0, 0.1, 5001) + 7e-6
    ends = (*ENDS[:2], ("X2.10", "G1.-"))
    assert filmed(split, ends, 0.0, 0.11).volts(t) == pytest.approx(filmed(plain, ends, 0.0, 0.11).volts(t), abs=1e-7)


def test_means_are_exact(chattering):
    """Means of 40 columns against Gauss integration of the same record."""
    edges = np.linspace(0.5, 0.7, 41)
    means = chattering.means(edges)
    for k, (begin, end) in enumerate(pairwise(edges)):
        t, weight = pieces(chattering, begin, end)
        assert means[:, k] == pytest.approx(chattering.volts(t) @ weight / (end - begin), abs=1e-9)


def test_envelope_holds_every_sample(chattering, finding):
    """Every 1 MS/s sample of 2 s lies in its column; and the envelope is not wider than what the signal reaches (looked
    at in 16 places of every octave after every event) by more than 2 uV."""
    edges = np.linspace(0.0, 2.0, 1001)
    low, high = chattering.envelope(edges)
    for first in range(0, 2_000_000, 40_000):
        v = chattering.volts((first + np.arange(40_000)) * 1e-6).reshape(4, -1, 2000)
        columns = slice(first // 2000, first // 2000 + 20)
        assert (v.min(axis=2) >= low[:, columns] - 1e-10).all()
        assert (v.max(axis=2) <= high[:, columns] + 1e-10).all()
    least, most = np.full_like(low, np.inf), np.full_like(high, -np.inf)
    cuts = np.unique([*edges, *chattering.starts])
    marks = np.concatenate([2.0**-k * np.arange(16, 32) / 32 for k in range(30, -1, -1)])
    t = cuts[:-1, None] + np.diff(cuts)[:, None] * np.array([0.0, *marks, 1 - 1e-12])
    v = chattering.volts(t.ravel()).reshape(4, *t.shape)
    column = np.minimum(np.searchsorted(edges, t[:, 1], side="right") - 1, 999)
    for k in range(4):
        np.minimum.at(least[k], column, v[k].min(axis=1))
        np.maximum.at(most[k], column, v[k].max(axis=1))
    slack = max((least - low).max(), (high - most).max())
    finding(f"envelope: 4 channels x 2 s, every 1 MS/s sample inside, at most {slack:.1e} V wider than the signal")
    assert slack <= 2 * SLACK_V


def test_matrix_exponential():
    """Three capacitors and a lagged channel against scipy's matrix exponential of equations written down by hand."""
    g, c, lag_s = np.array([1 / 1e3, 1 / 2e3, 1 / 5e3, 1 / 8e3]), np.array([1e-6, 3e-7, 5e-6]), 4e-4
    nodes = ["s", "a", "b", "c", "0"]
    fixed = [Resistor(f"R{k}", nodes[k], nodes[k + 1], 1 / g[k]) for k in range(4)]
    fixed += [Capacitor(f"C{k}", nodes[k + 1], "0", c[k]) for k in range(3)]
    ramp = Driven(Source("E", "s", "0", 0.0, 0.0), (0.0, 1e-3), (2.0, 7.0))
    channels = [*(Channel(n, "0") for n in "abc"), Channel("b", "c", lag_s)]
    film = record(fixed, [], [ramp], channels, "0", 0.0, 1e-3)
    a = np.zeros((6, 6))  # a, b, c, lag, E, slope of E
    for k in range(3):
        a[k, k] = -(g[k] + g[k + 1]) / c[k]
    a[0, 1], a[1, 0], a[1, 2], a[2, 1], a[0, 4] = g[1] / c[0], g[1] / c[1], g[2] / c[1], g[2] / c[2], g[0] / c[0]
    a[3, [1, 2, 3]] = np.array([1, -1, -1]) / lag_s
    a[4, 5] = 1.0
    rest = 2.0 * np.cumsum(1 / g[::-1])[2::-1] / (1 / g).sum()
    start = np.array([*rest, rest[1] - rest[2], 2.0, 5e3])
    for t in (0.0, 1e-6, 1e-4, 9e-4):
        assert film.volts([t])[:, 0] == pytest.approx((expm(a * t) @ start)[:4], abs=2e-8)  # the leak: 7e-9


def test_current_source_into_a_capacitor():
    """A constant current into a lone capacitor: a straight line, though nothing but the leak ever discharges it."""
    feed = Valve("limit", "a", "c", (Cap.amps("limit", 1e-3),))
    fixed = [Source("E", "a", "0", 100.0, 0.0), Capacitor("C", "c", "0", 1e-6)]
    film = record(fixed, [switched(0.0, feed)], [], [Channel("c", "0")], "0", -0.1, 0.02)
    assert film.volts([1e-6, 1e-3, 1e-2])[0] == pytest.approx([1e-3, 1.0, 10.0], abs=1e-6)


def test_every_moment_is_an_operating_point(sweeper, finding):
    """At 60 moments of chatter with the engine running, the network with a source in place of every capacitor, solved
    by the dc solver on its full equations, shows what the record shows."""
    span, rng = (0.0, 0.06), np.random.default_rng(40)
    what = scene(sweeper, State("run"), span, presences=chatter(sweeper, 4, span, 20))
    caps = [el for el in what.elements if isinstance(el, Capacitor)]
    ends = [(p, sweeper.earth) for p in sweeper.reachable(State("run"))]
    film = filmed(what, [*((c.a, c.b) for c in caps), *ends], *span)
    worst = 0.0
    for t in rng.uniform(*span, 60):
        v = film.volts([t])[:, 0]
        stores = [Source(c.name, c.a, c.b, x, 0.0) for c, x in zip(caps, v, strict=False)]
        forms = [part.forms[part.order[np.searchsorted(part.starts, t) - 1]] for part in what.changing]
        given = [replace(d.source, emf_v=float(np.interp(t, d.times, d.volts))) for d in what.driven]
        stay = [el for el in what.elements if el not in caps]
        op = operating_point(Network([*stay, *(el for form in forms for el in form), *given, *stores], what.earth))
        worst = max(worst, *np.abs([op.volts(*pair) for pair in ends] - v[len(caps) :]))
    finding(f"waveform against operating points: {60 * len(ends):,} voltages, worst {worst:.1e} V")
    assert worst < 1e-6


def test_a_supply_recovers_along_its_foldback_line(sweeper):
    """Short gone, a foldback supply gives more the more it has: a mode that grows, left long before it overflows."""
    short = Presence(sweeper.with_fault(ShortToGround("W42", 0.5)), False, (0.01, 0.05))
    film = filmed(scene(sweeper, State("on"), (0.0, 20.0), presences=[short]), [("A1.V2", "G1.-")], 0.0, 20.0)
    assert film.rate.max() > 1000.0
    before, shorted, after, late = film.volts([0.0, 0.04, 0.06, 20.0])[0]
    assert before == pytest.approx(solve(sweeper, State("on")).volts("A1.V2", "G1.-"), abs=1e-8)
    assert shorted < 0.2
    assert [after, late] == pytest.approx([before, before], abs=1e-8)


def test_without_capacitors():
    """A driven source of 1 ohm on a 1 ohm clamp at 3 V: 3 V are reached at 0.3 s, from there half of the rest."""
    ramp = Driven(Source("E", "a", "0", 0.0, 1.0), (0.0, 1.0), (0.0, 10.0))
    clamp = Valve("D", "a", "0", (Cap("clamp", (("a", 1.0),), 1.0, 3.0),), rest=-1)
    film = record([clamp], [], [ramp], [Channel("a", "0"), Channel("nowhere", "0")], "0", 0.0, 1.0)
    assert film.starts == pytest.approx([0.0, 0.3], abs=1e-9)
    assert film.volts([0.1, 0.5, 0.9]) == pytest.approx(np.array([[1.0, 4.0, 6.0], [0.0, 0.0, 0.0]]), abs=1e-9)
    assert film.means(np.array([0.0, 1.0]))[0, 0] == pytest.approx(1.5 * 0.3 + 4.75 * 0.7, abs=1e-9)
    low, high = film.envelope(np.array([0.0, 1.0]))
    assert [low[0, 0], high[0, 0]] == pytest.approx([0.0, 6.5], abs=1e-9)


# --- the search for events


@pytest.mark.parametrize("kind", ["real", "close", "complex"])
def test_no_crossing_is_missed(kind):
    """Random sums of exponentials against dense sampling: never a crossing missed, never one that is not there."""
    rng = np.random.default_rng({"real": 1, "close": 2, "complex": 3}[kind])
    found = 0
    for _ in range(150):
        rate = -np.sort(10.0 ** rng.uniform(0, 6, 8))[::-1]
        a = rng.normal(size=(3, 8)) * 10.0 ** rng.uniform(-2, 1, 8)
        if kind == "close":
            rate[5:7] = rate[4] * (1 + 1e-4 * np.arange(1, 3))
            rate, a[:, 5:7] = np.sort(rate), -a[:, 4:5] * [0.4, 0.6] * 1e3
            a[:, 4] *= 1e3
        if kind == "complex":
            turn = rng.uniform(1, 30, 4) * np.abs(rate[::2])
            rate = np.column_stack([rate[::2] + 1j * turn, rate[::2] - 1j * turn]).ravel()
            a = np.repeat(a[:, ::2], 2, axis=1) * np.tile([1 + 0.5j, 1 - 0.5j], 4)
        c0, c1, span = rng.normal(size=3) * 2, rng.normal(size=3) * 100, 10.0 ** rng.uniform(-5, 0)
        rates = Rates(rate)
        t = np.unique([*np.linspace(0, span, 20_000), *span * 10.0 ** np.linspace(-8, 0, 20_000)])
        f = np.real(np.exp(t[:, None] * rate) @ a.T) + c0 + c1 * t[:, None]
        c0 = c0 + np.maximum(0.0, 1e-3 - f[0])  # they begin above zero
        f = f + np.maximum(0.0, 1e-3 - f[0])
        hit = rates.first_below(a, c0, c1, span, 1e-6)
        below = t[(f < -1e-6).any(axis=1)]
        if hit is None:
            assert not len(below)
            continue
        found += 1
        assert not (below < hit).any()
        assert -1.1e-6 < rates.value(a, c0, c1, hit).min() < -0.4e-6
    assert 30 < found < 150


def test_a_gate_that_starves_its_supply(sweeper):
    """A Hall switch shorted to its own supply behind a corroded feed (see test_circuit.py), from 5 ms on."""
    sick = sweeper.with_fault(HighResistance("W17", 80.0, at=0.2))
    worse = sick.with_fault(ShortBetweenWires("W17", "W33b", 0.0, at=0.9, at_to=0.9))
    what = scene(sick, State("on"), (0.0, 0.02), presences=[Presence(worse, False, (0.005,))])
    with pytest.raises(Unstable) as caught:
        filmed(what, ENDS[:1], 0.0, 0.02)
    assert str(caught.value) == "no steady state: a gated output takes away the supply it needs, over and over."


def test_a_gate_with_a_capacitor_takes_turns():
    """The same with 1 uF across it: it opens and shuts, and its supply stays where the gate switches."""
    out = Valve("out", "s", "0", (Cap("on", (("s", 1.0),), 20.0, 0.0),), Gate("s", "0", 3.5))
    fixed = [Source("E", "a", "0", 5.0, 0.0), Resistor("R", "a", "s", 80.0), Capacitor("C", "s", "0", 1e-6)]
    film = record(fixed, [switched(0.0, out)], [], [Channel("s", "0")], "0", -1e-3, 2e-3)
    low, high = film.envelope(np.array([1e-3, 2e-3]))
    assert [low[0, 0], high[0, 0]] == pytest.approx([3.5, 3.5 + REOPEN_V], abs=2e-6)
    assert len(film.starts) > 100


def test_what_cannot_be_recorded():
    """A capacitor that comes and goes, and capacitors in parallel without any resistance."""
    two = [Capacitor("C1", "a", "0", 1e-6), Resistor("R", "a", "0", 1e3)]
    with pytest.raises(CircuitError) as caught:
        record(two, [switched(0.0, Capacitor("C2", "a", "0", 1e-6))], [], [Channel("a", "0")], "0", 0.0, 1.0)
    assert str(caught.value) == "C2 is a capacitor and cannot come and go; leave it among what stays."
    with pytest.raises(CircuitError) as caught:
        record([*two, Capacitor("C2", "a", "0", 1e-6)], [], [], [Channel("a", "0")], "0", 0.0, 1.0)
    assert str(caught.value) == (
        "C1, C2 form a loop without resistance, so that nothing limits the current in it; give one of them the "
        "resistance of its leads."
    )

"""Waveforms solved once more by ngspice: an independent solver for the same scene (see spice_time.py).

Both must agree within 0.1 % of full scale at ngspice's own time points, but for those next to an event.
"""

import shutil
from dataclasses import replace

import numpy as np
import pytest
import spice_time
from film import ENDS, chatter, filmed

from casekit.circuit.modes import Channel
from casekit.circuit.operating_point import solve
from casekit.files.library import machine_file
from casekit.machine.drawn import drawn
from casekit.machine.faults import ShortToGround
from casekit.machine.law import Capacitor, Changing, Resistor, Retry, Source
from casekit.machine.motion import Presence, Scene, meanwhile, scene
from casekit.machine.state import State
from casekit.machine.unit import Supply

FULL_SCALE_V = 5.0
AGREE = 1e-3  # of full scale
NEAR_S = 2e-6  # ngspice's changes are ramps and its gates have a lag: times so near to an event are left out
FINE = spice_time.Accuracy()

pytestmark = [
    pytest.mark.reference,
    pytest.mark.skipif(
        shutil.which("ngspice") is None, reason="ngspice is not installed (Debian: apt install ngspice)"
    ),
]


@pytest.fixture(scope="module")
def sweeper():
    return drawn(machine_file("street-sweeper"))


def refereed(what: Scene, ends, begin: float, end: float, nodeset, accuracy=FINE, theirs: Scene | None = None) -> tuple:
    """(times, casekit's values, ngspice's values) at ngspice's own time points, those near an event left out.

    `theirs` is the scene ngspice gets, if it is not the same.
    """
    film = filmed(what, ends, begin, end)
    given, channels = theirs or what, tuple(Channel(*pair) for pair in ends)
    t, volts = spice_time.transient(
        spice_time.Film(given.elements, given.changing, given.driven, channels, given.earth, begin, end, nodeset),
        accuracy,
    )
    events = np.array([-np.inf, *film.starts, end, np.inf])
    at = np.searchsorted(events, t, side="right")
    away = (t - events[at - 1] > NEAR_S) & (events[np.minimum(at, len(events) - 1)] - t > NEAR_S)
    return t[away], film.volts(t[away]), volts[:, away]


def agree(finding, name: str, found: tuple) -> None:
    """The worst difference, said in the summary, is below AGREE of full scale."""
    t, mine, theirs = found
    off = np.abs(mine - theirs)
    scale = np.maximum(FULL_SCALE_V, np.ptp(mine, axis=1))
    shares = (off.max(axis=1) / scale).max()
    finding(f"ngspice .tran, {name}: worst {off.max():.1e} V at {len(t):,} times, {shares:.4%} of full scale")
    assert len(t) > 100
    assert shares < AGREE


def start(machine, state: State) -> dict[str, float]:
    """Node voltages at which ngspice starts looking for its own operating point."""
    op = solve(machine, state)
    return {node: op.volts(node) for node in op.network.index}


RC = Scene(
    (Source("E", "a", "0", 15.0, 0.1), Resistor("R", "b", "c", 1e4), Capacitor("C", "c", "0", 1e-4)),
    (Changing(((), (Resistor("S", "a", "b", 0.0),)), (-1.0, 0.0), (0, 1)),), (), "0",
)  # fmt: skip


@pytest.mark.parametrize("pair", [("c", "0"), ("b", "c")])
def test_charging(pair, finding):
    """A capacitor charged through a resistor from a switched source: its voltage and that of the resistor."""
    found = refereed(RC, [pair], -0.1, 5.0, {}, spice_time.Accuracy(step_s=0.01, method="gear"))
    agree(finding, f"RC charge {pair[0]}", found)


@pytest.mark.parametrize("name", ["chatter", "foldback", "running", "pedal", "crank"])
def test_sweeper(sweeper, finding, name):
    """Contact chatter (200 changes), a short on a foldback supply, wheels and ripple, a pedal sweep, cranking."""
    spans = {"chatter": (0.0, 1.0), "foldback": (1.0, 1.06), "running": (0.0, 0.04), "pedal": (2.0, 2.7)}
    span = spans.get(name, (0.0, 0.25))
    state = State("run") if name == "running" else State("on")
    presences = chatter(sweeper, 7, (0.05, 0.95)) if name == "chatter" else ()
    if name == "foldback":
        presences = [Presence(sweeper.with_fault(ShortToGround("W42", 2.0, 0.7)), False, (1.01, 1.03))]
    doing = meanwhile(sweeper, state, span, name if name in ("pedal", "crank") else None)
    ends = {
        "chatter": (*ENDS, ("X1.13", "G1.-"), ("input X1.13 inside", "G1.-")),
        "foldback": (("A1.V2", "G1.-"), ("B9.1", "G1.-"), ("X2.10", "G1.-"), ("input X2.10 inside", "G1.-")),
        "running": (
            ("X2.20", "X2.21"),
            ("X1.13", "G1.-"),
            ("X2.12", "G1.-"),
            ("input X2.20 inside", "G1.-"),
            ("X2.11", "G1.-"),
        ),
        "pedal": (("X1.15", "G1.-"), ("X2.15", "G1.-"), ("input X1.15 inside", "G1.-")),
        "crank": (("G1.+", "G1.-"), ("X2.20", "X2.21"), ("X1.13", "G1.-"), ("A1.V1", "G1.-")),
    }[name]
    what = scene(sweeper, state, span, doing, presences)
    accuracy = replace(FINE, step_s=1e-4) if name == "chatter" else FINE
    found = refereed(what, ends, *span, start(sweeper, state), accuracy)
    agree(finding, name, found)


def test_retry(sweeper, finding):
    """A supply that shuts for 2 ms after 0.5 ms at its limit, shorted for 8.5 ms; ngspice keeps time by itself."""
    supply = sweeper.part("V1", Supply)
    machine = sweeper.replaced(supply, replace(supply, retry=Retry("current limit", 5e-4, 2e-3)))
    short = Presence(machine.with_fault(ShortToGround("W14", 0.5, 0.35)), False, (1e-3, 9.5e-3))
    what = scene(machine, State("on"), (0.0, 0.012), presences=[short])
    found = refereed(what, (*ENDS, ("input X1.13 inside", "G1.-")), 0.0, 0.012, start(machine, State("on")))
    agree(finding, "supply retry", found)
    t, mine, _ = found
    pulses = np.flatnonzero(np.diff((mine[1] > 0.05).astype(int)))
    assert len(pulses) >= 7
    assert np.diff(t[pulses])[2::2] == pytest.approx(2e-3, abs=5e-5)


def test_referee_sees_a_wrong_capacitor(sweeper):
    """The comparison can fail: a filter capacitor 2 % off in the referee's netlist shows as more than AGREE allows."""
    what = scene(sweeper, State("on"), (0.0, 0.1), presences=chatter(sweeper, 9, (0.01, 0.1), 20))
    off = tuple(
        replace(el, farad=el.farad * 1.02) if el.name == "input X1.11 capacitor" else el for el in what.elements
    )
    given = [("input X1.11 inside", "G1.-")], 0.0, 0.1, start(sweeper, State("on"))
    _, mine, right = refereed(what, *given)
    assert np.abs(mine - right).max() < AGREE * FULL_SCALE_V
    _, mine, wrong = refereed(what, *given, theirs=replace(what, elements=off))
    assert np.abs(mine - wrong).max() > AGREE * FULL_SCALE_V

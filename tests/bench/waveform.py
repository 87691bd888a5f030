"""How fast a scope record is: casekit's exact waveforms against ngspice's `.tran` on the same scenes, in one run.

Run: python tests/bench/waveform.py (a quarter of an hour). Two seconds, four channels, contact chatter with 200 changes
on the sweeper, once with the key on and once with the engine running, when wheels and ripple change 4,000 times a
second (there ngspice's time grows faster than the record, so that the ratio is smaller for shorter ones). ngspice is
tried at several accuracies; what counts is the fastest that is within LIMIT_V. Seconds are this machine's; the ratios
carry over. Not a test.
"""

from __future__ import annotations

import os

# The same for everything that is timed here; ngspice solves these circuits on one thread in any case.
os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = os.environ["MKL_NUM_THREADS"] = "1"

import importlib.util
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from timing import RUNS, machine_line, median_s, timed

sys.path.insert(0, str(Path(__file__).parent.parent))
import spice_time
from film import ENDS, chatter

from casekit.circuit.modes import Channel
from casekit.circuit.operating_point import solve
from casekit.circuit.record import Record
from casekit.circuit.waveform import record
from casekit.files.library import machine_file
from casekit.machine.drawn import drawn
from casekit.machine.motion import scene
from casekit.machine.state import State

END_S = 2.0
LIMIT_V = 1e-5
RATIO = 50
COLUMNS = 1000
AWAY_S = (1e-4, 2e-6)  # so far from an event ngspice is held against LIMIT_V; and nearer, to show what its ramps do
TRIED = tuple(
    spice_time.Accuracy(reltol, step_s, method)
    for reltol, step_s, method in (
        (1e-4, 1e-3, "trap"), (1e-4, 1e-4, "trap"), (1e-5, 1e-3, "gear"), (1e-5, 1e-4, "trap"), (1e-5, 2e-5, "trap"),
        (1e-5, 1e-5, "trap"), (1e-5, 1e-5, "gear"), (1e-6, 1e-5, "trap"), (1e-6, 5e-6, "trap"),
    )
)  # fmt: skip


def outside(film: Record, edges: np.ndarray, low: np.ndarray, high: np.ndarray) -> tuple[int, int]:
    """(samples, how many of them lie outside the envelope), at 1 MS/s."""
    count = round((edges[-1] - edges[0]) * 1e6)
    wrong = 0
    for first in range(0, count, 50_000):
        t = edges[0] + (first + np.arange(min(50_000, count - first))) * 1e-6
        column = np.clip(np.searchsorted(edges, t, side="right") - 1, 0, len(edges) - 2)
        v = film.volts(t)
        wrong += int(((v < low[:, column] - 1e-10) | (v > high[:, column] + 1e-10)).sum())
    return count * film.channels, wrong


def worst(film: Record, t: np.ndarray, volts: np.ndarray) -> list[float]:
    """The worst difference at ngspice's own time points, as far from events as AWAY_S says."""
    events = np.array([-np.inf, *film.starts, END_S, np.inf])
    at = np.searchsorted(events, t, side="right")
    distance = np.minimum(t - events[at - 1], events[np.minimum(at, len(events) - 1)] - t)
    off = np.abs(volts - film.volts(t))
    return [off[:, distance > away].max() for away in AWAY_S]


def compare(machine, title: str, key: str, runs: int, tried: Sequence[spice_time.Accuracy]) -> None:
    """One scene: our time, ngspice's at every accuracy, and the ratio."""
    presences = chatter(machine, 11, (0.02, 1.98))
    what = scene(machine, State(key), (0.0, END_S), presences=presences)
    channels = tuple(Channel(*pair) for pair in ENDS)
    edges = np.linspace(0.0, END_S, COLUMNS + 1)

    def solved() -> Record:
        return record(what.elements, what.changing, what.driven, channels, what.earth, 0.0, END_S)

    film = solved()
    low, high = film.envelope(edges)
    solving, bounding = median_s(solved, runs), median_s(lambda: film.envelope(edges), runs)
    ours = solving + bounding
    samples, wrong = outside(film, edges, low, high)
    changes = sum(int(((t := np.asarray(part.starts)) > 0).sum() - (t >= END_S).sum()) for part in what.changing)
    print(f"\n{title}: {END_S:g} s, {len(ENDS)} channels, {changes:,} changes, {len(film.starts):,} segments")
    print(f"  casekit: record {solving:.3f} s + envelope of {COLUMNS} columns {bounding:.3f} s, median of {runs}")
    print(f"  envelope: {wrong} of {samples:,} samples at 1 MS/s outside")
    op = solve(machine, State(key))
    nodeset = {node: op.volts(node) for node in op.network.index}
    given = spice_time.Film(what.elements, what.changing, what.driven, channels, what.earth, 0.0, END_S, nodeset)
    head = f"  ngspice: {'reltol':>8} {'step':>8} method {'time':>9} {'points':>9}"
    print(f"{head}  worst error > 100 us, > 2 us off events")
    good = []
    for accuracy in tried:
        label = f"  {accuracy.reltol:16g} {accuracy.step_s:8g} {accuracy.method:6}"
        try:
            seconds, (t, volts) = timed(lambda accuracy=accuracy: spice_time.transient(given, accuracy, 600.0))
        except (RuntimeError, subprocess.TimeoutExpired) as reason:
            print(f"{label}  gave up: {str(reason).splitlines()[0]}")
            continue
        far, near = worst(film, t, volts)
        good.append((far > LIMIT_V, seconds if far <= LIMIT_V else far, seconds, far))
        print(f"{label} {seconds:8.2f}s {len(t):9,}  {far:.1e} V, {near:.1e} V")
    _, _, seconds, far = min(good)
    met = "" if far <= LIMIT_V else f" (it does not reach {LIMIT_V:g} V; this is its best)"
    print(f"  ratio {seconds / ours:.0f} x ngspice at {far:.1e} V{met}; target {RATIO} x at {LIMIT_V:g} V, key on")


def picture() -> None:
    """The time to take and to draw a record of 2 s and four channels on the kit's own scope."""
    if importlib.util.find_spec("casekit.teaching.screen") is None:
        print("\nscope picture: not there yet")
        return
    from casekit.teaching.practice import open_case
    from casekit.teaching.screen import Screen

    bench = open_case("broom-frame-dead")
    bench.key("on")
    leads = [(point, "G1.-") for point in ("B12.1", "X1.11", "B5.1", "B2.2")]
    seconds, screen = timed(lambda: bench.scope(leads, s_per_div=0.2, v_per_div=1.0))
    drawing = median_s(lambda: Screen(screen.trace).png, RUNS)
    print(f"\nscope, 2 s, four channels: taken in {seconds:.3f} s, drawn in {drawing:.3f} s; target 0.5 s")


def main() -> None:
    """Print the figures."""
    version = subprocess.run(["ngspice", "--version"], capture_output=True, text=True, check=False).stdout
    spice = next((x for x in version.split() if x.startswith("ngspice-")), "ngspice")
    print(f"{machine_line()}, {spice}, one BLAS thread")
    machine = drawn(machine_file("street-sweeper"))
    compare(machine, "contact chatter, key on", "on", RUNS, TRIED)
    compare(machine, "contact chatter, engine running", "run", 3, TRIED[4:6])
    picture()


if __name__ == "__main__":
    main()

"""ngspice as a referee in time: the same scene as a netlist for `.tran`, solved by another program.

In: what stays, what changes, what is driven, and channels. Out: what ngspice finds at the time points it chose itself,
so that nothing is interpolated. Conductors that come and go are currents whose siemens follow a control voltage; the
numbers of valves that change follow control voltages in the same way, each a line of steps RAMP_S long. Every record
starts from ngspice's own operating point in the first forms.
"""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import spice

from casekit.circuit.modes import LEAST_OHM, Channel
from casekit.circuit.network import LEAK_S
from casekit.machine.law import Capacitor, Changing, Driven, Element, Retry, Valve

RAMP_S = 2e-9  # a change takes so long, half of it before its time
# A gate opens over so many volt and follows with this time constant: ngspice cannot step across a jump.
GATE_V, GATE_S = 1e-3, 1e-7
RESET_S = 1e-7  # time constant with which a retry timer goes back while its supply is below the limit
FLAT = 1e-6  # at its limit counts a supply that delivers this share less
FLIP = 1e-5  # a retrying supply switches over this share of its times
# Between capacitors a network of valves answers at once, and Newton's steps from one time point to the next may not
# find where it went. So every node has this capacitor to earth; those of the referee's own nodes count it in.
SHUNT_F = 1e-13
OPTIONS = f"vntol=1e-9 abstol=1e-13 gmin=1e-15 pivtol=1e-20 itl1=500 itl2=500 itl4=60 cshunt={SHUNT_F}"


@dataclass(frozen=True)
class Film:
    """A scene to be solved from `begin` to `end` (second); `nodeset` is where ngspice starts looking for the first
    operating point."""

    elements: tuple[Element, ...]
    changing: tuple[Changing, ...]
    driven: tuple[Driven, ...]
    channels: tuple[Channel, ...]
    earth: str
    begin: float
    end: float
    nodeset: Mapping[str, float]


@dataclass(frozen=True)
class Accuracy:
    """What ngspice is asked for: its relative tolerance, its longest step in second, its method of integration."""

    reltol: float = 1e-5
    step_s: float = 2e-5
    method: str = "trap"
    maxord: int = 2
    trtol: float = 1.0

    @property
    def options(self) -> str:
        """The options card."""
        return f"{OPTIONS} reltol={self.reltol:g} method={self.method} maxord={self.maxord} trtol={self.trtol:g}"


def transient(
    film: Film, accuracy: Accuracy = Accuracy(), limit_s: float | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """(times, volts): ngspice's own time points in second and every channel there, channels x times.

    Raises RuntimeError with ngspice's last words when it stops before the end.
    """
    with tempfile.TemporaryDirectory() as folder:
        deck, raw = Path(folder, "film.cir"), Path(folder, "film.raw")
        text, pairs = netlist(film, accuracy, raw)
        deck.write_text(text)
        run = subprocess.run(
            ["ngspice", "-b", str(deck)], capture_output=True, text=True, errors="replace", cwd=folder,
            timeout=limit_s, check=False,
        )  # fmt: skip
        if not raw.exists():
            raise RuntimeError("\n".join((run.stdout + run.stderr).splitlines()[-12:]))
        found = _raw(raw)
    times, zero = found["time"], np.zeros(len(found["time"]))
    node = {name: found.get(spice._volts(name), zero) for pair in pairs for name in pair}
    if times[-1] < (film.end - film.begin) * (1 - 1e-9):
        raise RuntimeError(f"ngspice stopped at {times[-1]} s:\n" + "\n".join(run.stderr.splitlines()[-8:]))
    return times + film.begin, np.array([node[red] - node[black] for red, black in pairs])


def netlist(film: Film, accuracy: Accuracy, raw: Path) -> tuple[str, list[tuple[str, str]]]:
    """(text, pairs): the whole netlist, written to `raw` by its own commands, and the two nodes of every channel."""
    every = [el for part in film.changing for form in part.forms for el in form]
    sources = [part.source for part in film.driven]
    pairs = tuple((c.red, c.black) for c in film.channels)
    nodes = spice.names(spice.Job("", (*film.elements, *every, *sources), film.earth, pairs, {}))
    writer = _Writer(nodes, film.begin, film.end)
    for el in film.elements:
        writer.fixed(el)
    for part in film.changing:
        writer.changing(part)
    for part in film.driven:
        writer.driven(part)
    shown = [writer.channel(channel) for channel in film.channels]
    saved = sorted({node for pair in shown for node in pair} - {"0"})
    cards = [f"Rl{n} {n} 0 {1 / LEAK_S:.17g}" for n in nodes.values() if n != "0"]
    known = [f"v({nodes[n]})={v:.12g}" for n, v in film.nodeset.items() if nodes.get(n, "0") != "0"]
    cards += [".nodeset " + " ".join(known[k : k + 20]) for k in range(0, len(known), 20)]
    cards += [f".options {accuracy.options}", ".control", "set filetype=binary"]
    cards += ["save " + " ".join(spice._volts(node) for node in saved)]
    cards += [f"tran {accuracy.step_s:g} {film.end - film.begin:.12g} 0 {accuracy.step_s:g}"]
    cards += [f"write {raw}", "quit", ".endc", ".end", ""]
    return "\n".join(["* casekit", *writer.cards, *cards]), shown


class _Writer:
    """Cards of a netlist, one after another."""

    def __init__(self, nodes: Mapping[str, str], begin: float, end: float):
        self.nodes, self.begin, self.end = nodes, begin, end
        self.cards: list[str] = []
        self.count = 0

    def fixed(self, el: Element) -> None:
        """An element that stays."""
        k = self._next()
        a, b = self.nodes[el.a], self.nodes[el.b]
        if isinstance(el, Capacitor):
            self.cards.append(f"C{k} {a} {b} {el.farad:.17g}")
        elif isinstance(el, Valve):
            self._valve(el, [el], [0], [self.begin])
        else:
            self.cards += spice._cards(k, el, self.nodes)

    def changing(self, part: Changing) -> None:
        """Elements that change together; those of one name and between the same ends are one."""
        found: dict[tuple, dict[int, Element]] = {}
        for form, elements in enumerate(part.forms):
            for el in elements:
                found.setdefault((el.name, el.a, el.b, type(el)), {})[form] = el
        for forms in found.values():
            one = next(iter(forms.values()))
            steps = [forms.get(form) for form in part.order]
            if isinstance(one, Valve):
                self._valve(one, steps, range(len(steps)), part.starts)
                continue
            siemens = [0.0 if el is None else 1 / max(el.r_ohm, LEAST_OHM) for el in steps]
            amps = [0.0 if el is None else getattr(el, "emf_v", 0.0) * g for el, g in zip(steps, siemens, strict=True)]
            a, b, k = self.nodes[one.a], self.nodes[one.b], self._next()
            across = f"({spice._volts(a)}-{spice._volts(b)})"
            drive, given = self._control(siemens, part.starts), self._control(amps, part.starts)
            self.cards.append(f"B{k} {a} {b} I={across}*{drive}-({given})")

    def driven(self, part: Driven) -> None:
        """A source whose emf follows straight lines."""
        k, el = self._next(), part.source
        points = [(t - self.begin, v) for t, v in zip(part.times, part.volts, strict=True)]
        now = float(np.interp(self.begin, part.times, part.volts))
        points = [(0.0, now), *(p for p in points if p[0] > 0)]
        self.cards += _wrapped(f"V{k} {self.nodes[el.a]} m{k} PWL(", points)
        self.cards.append(f"R{k} m{k} {self.nodes[el.b]} {el.r_ohm:.17g}")

    def channel(self, channel: Channel) -> tuple[str, str]:
        """The two nodes between which a channel stands; a lag has nodes of its own, fed with a current."""
        red, black = self.nodes[channel.red], self.nodes[channel.black]
        if channel.lag_s == 0:
            return red, black
        k = self._next()
        self.cards += [
            f"G{k} 0 c{k} {red} {black} 1e-3",
            f"R{k} c{k} 0 1e3",
            f"C{k} c{k} 0 {channel.lag_s / 1e3 - SHUNT_F:.17g}",
        ]
        return f"c{k}", "0"

    def _valve(self, one: Valve, steps: Sequence[Valve | None], order: Iterable[int], starts: Sequence[float]) -> None:
        """A valve whose numbers change: i = there x max(0, min over caps of sum (k/r) v - e/r)."""
        k, known = self._next(), next(el for el in steps if el is not None)
        values = [steps[j] for j in order]
        caps, limit = [], ""
        for c, cap in enumerate(known.caps):
            rows = [(el or known).caps[c] for el in values]
            assert all([n for n, _ in row.volts] == [n for n, _ in cap.volts] for row in rows)
            terms = []
            for at, (node, _) in enumerate(cap.volts):
                gain = self._control([row.volts[at][1] / row.r_ohm for row in rows], starts)
                terms.append(f"{gain}*{spice._volts(self.nodes[node])}")
            terms.append(f"(-({self._control([row.e_v / row.r_ohm for row in rows], starts)}))")
            caps.append("(" + "+".join(terms) + ")")
            if one.retry and cap.label == one.retry.label:
                limit = caps[-1]
        law = f"max(0,{spice._least(caps)})"
        if one.gate:
            across = f"{spice._volts(self.nodes[one.gate.plus])}-{spice._volts(self.nodes[one.gate.minus])}"
            law += f"*v(g{k})"
            self.cards += [
                f"Bg{k} 0 g{k} I=1e-4*min(1,max(0,({across}-{one.gate.at_least_v:.17g})/{GATE_V}))",
                f"Rg{k} g{k} 0 1e4",
                f"Cg{k} g{k} 0 {GATE_S / 1e4 - SHUNT_F:.17g}",
            ]
        if any(el is None for el in values):
            law += f"*{self._control([float(el is not None) for el in values], starts)}"
        if one.retry:
            law += f"*{self._timer(k, one.retry, law, limit)}"
        self.cards.append(f"B{k} {self.nodes[one.a]} {self.nodes[one.b]} I={law}")

    def _timer(self, k: int, retry: Retry, law: str, limit: str) -> str:
        """A retrying supply's timer, a capacitor that is charged and never emptied: from every even volt to the next
        odd one while the supply stands at its limit, then to the next even one while it rests. 1 while it conducts."""
        since = f"(v(t{k})-2*floor(v(t{k})/2))"
        waits = f"((({law}) >= ({limit})*(1-{FLAT})) ? (1/{retry.on_s:.17g}) : (-{since}/{RESET_S}))"
        self.cards += [
            f"Ct{k} t{k} 0 {1e-9 - SHUNT_F:.17g}",
            f"Bt{k} 0 t{k} I=1e-9*(({since}>1) ? (1/{retry.off_s:.17g}) : {waits})",
        ]
        return f"max(0,min(1,max((1-{since})/{FLIP},({since}-2)/{FLIP}+1)))"

    def _control(self, values: Sequence[float], starts: Sequence[float]) -> str:
        """A number that takes these values from these times on: itself, or the voltage of a control node."""
        if len(set(values)) == 1:
            return f"({values[0]:.17g})"
        k = self._next()
        first = max(int(np.searchsorted(starts, self.begin, side="right")) - 1, 0)
        points, last = [(0.0, values[first])], values[first]
        for t, value in list(zip(starts, values, strict=True))[first + 1 :]:
            if t > self.end + RAMP_S:
                break
            if value != last:
                at = t - self.begin
                assert at - RAMP_S / 2 > points[-1][0], "two changes within a ramp"
                points += [(at - RAMP_S / 2, last), (at + RAMP_S / 2, value)]
                last = value
        self.cards += _wrapped(f"V{k} k{k} 0 PWL(", points)
        return f"v(k{k})"

    def _next(self) -> int:
        self.count += 1
        return self.count


def _wrapped(begin: str, points: Sequence[tuple[float, float]]) -> list[str]:
    """A PWL card on continuation lines."""
    if len(points) == 1:
        points = [*points, (1.0, points[0][1])]
    rows = [" ".join(f"{t:.15g} {v:.15g}" for t, v in points[k : k + 8]) for k in range(0, len(points), 8)]
    return [begin, *(f"+ {row}" for row in rows), "+ )"]


def _raw(path: Path) -> dict[str, np.ndarray]:
    """The vectors of a binary file of ngspice, by name."""
    head, body = path.read_bytes().split(b"Binary:\n", 1)
    lines = head.decode().splitlines()
    fields = dict(line.split(":", 1) for line in lines if ":" in line)
    many, points = int(fields["No. Variables"]), int(fields["No. Points"])
    names = [line.split()[1] for line in lines[-many:]]
    table = np.frombuffer(body[: 8 * many * points]).reshape(points, many)
    return {name: table[:, k].copy() for k, name in enumerate(names)}

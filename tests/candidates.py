"""Simulated candidates: what a holder of a wrong idea answers to an exam item, worked out from the circuit.

In: an idea and an item. Out: the options a holder would take for right. Nothing here looks at the ideas that options
carry: every idea is a wrong model of its own, on a network solved anew, so that it proves the options and is not them.
"""

from __future__ import annotations

import re
from functools import lru_cache
from itertools import pairwise

import networkx as nx
import numpy as np

from casekit.bench.loads import LAMP_W
from casekit.circuit.operating_point import solve
from casekit.error import CircuitError
from casekit.files import library
from casekit.machine.drawn import drawn
from casekit.machine.harness import Contact, Wire
from casekit.machine.state import State
from casekit.machine.unit import Input, Supply
from casekit.reasoning.suspect import Suspect
from casekit.teaching.examiner import item

ON = State("on")
SCALE = {"µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}
SIZES = np.geomspace(0.02, 30_000, 25)


def some(kind, machine="street-sweeper", many=12):
    """The first items of a kind."""
    found = (item(kind, machine, n) for n in range(2000))
    return [made for _, made in zip(range(many), (i for i in found if i), strict=False)]


@lru_cache
def machine(name):
    return drawn(library.machine_file(name))


@lru_cache
def healthy(name):
    return solve(machine(name), ON)


def value(text):
    """A number with its unit: 47 mV, 2.2 kΩ, 3.6 V."""
    m = re.fullmatch(r"(-?[\d.]+(?:e-?\d+)?) (µ|m|k|M)?[VΩA]", text)
    return float(m[1]) * SCALE[m[2] or ""]


def fault(text):
    """The suspect and size that a question tells of."""
    text = re.sub(r" \(the red lead is .*?\)", "", text.removesuffix(", now and then"))
    size = 0.0
    if m := re.search(r" of ([\d.]+ [kM]?Ω)", text):
        size, text = value(m[1]), text.replace(m[0], "")
    if m := re.fullmatch(r"(\S+) is open", text):
        return Suspect("open", m[1]), size
    if m := re.fullmatch(r"Supply (\S+) gives nothing", text):
        return Suspect("supply dead", m[1]), size
    if m := re.fullmatch(r"Sensor (\S+) has an internal short", text):
        return Suspect("sensor shorted", m[1]), size
    m = re.fullmatch(r"(.+?) at (\S+)", text)
    return Suspect(m[1].lower(), m[2]), size


@lru_cache(maxsize=4000)
def sick(name, suspect, size):
    try:
        return solve(machine(name).with_fault(suspect.fault(size, 0.5)), ON)
    except CircuitError:
        return None


def shows(name, text, point, size=None):
    """What stands at a point with a fault, against battery negative, without a meter."""
    suspect, told = fault(text)
    found = sick(name, suspect, told if size is None else float(size))
    return np.nan if found is None else found.volts(point, machine(name).earth)


def same(a, b):
    return abs(a - b) <= 0.1 + 0.06 * max(abs(a), abs(b))


def could(name, text, point, v):
    """Whether a fault of some size shows this there."""
    suspect, size = fault(text)
    if len(suspect.sizes) == 1:
        return same(shows(name, text, point), v)
    sizes = [s for s in SIZES if s <= suspect.sizes[-1] and s >= suspect.sizes[0]]
    seen = [shows(name, text, point, s) for s in (sizes if size == 0 else [size])]
    return any(same(a, v) or min(a, b) <= v <= max(a, b) for a, b in zip(seen, seen[1:] or seen, strict=False))


def rows(item):
    """(point, volts) of the readings in a question."""
    return [(a.split(" against ")[0], value(b)) for a, b in item.rows if " against " in a]


# Readings -------------------------------------------------------------------------------------------------------------


def _reading(idea, item):
    point, told = re.search(r"V at (\S+) against \S+\. (.+), key on, everything plugged\.", item.ask).groups()
    name, earth = item.machine, machine(item.machine).earth
    good = healthy(name).volts(point, earth)
    battery = healthy(name).volts(machine(name).plus, earth)
    models = {
        "the fault does nothing here": lambda: good,
        "what is wrong with a return hurts only one sensor": lambda: good,
        "two parts in a row share a voltage by halves": lambda: good / 2,
        "beyond and before an open there is nothing": lambda: 0.0,
        "a high resistance is as good as an open": lambda: 0.0,
        "a shorted supply reads nought everywhere": lambda: 0.0,
        "a shorted sensor pulls everything to nought": lambda: 0.0,
        "an open leaves everything at its supply": lambda: 5.0,
        "a regulator holds its voltage whatever hangs on it": lambda: 5.0,
        "a regulator holds its voltage whatever is fed into it": lambda: 5.0,
        "only the sensor's own signal is hurt": lambda: 5.0,
        "a short to battery brings the whole battery voltage": lambda: battery,
        "the meter takes nothing": lambda: shows(name, told, point),
        "scan data are what the pin has": lambda: _inside(name, told, point),
    }
    believed = models[idea]()
    if item.form == "number":
        return {n for n, (w, _) in enumerate(item.wrong) if abs(w - believed) < 0.02}
    return {int(np.argmin([abs(value(o.text) - believed) for o in item.options]))}


def _inside(name, told, point):
    m = machine(name)
    suspect, size = fault(told)
    net = nx.node_connected_component(m.copper(), point)
    pin = next(i for i in m.all(Input) if i.pin in net)
    ground = next(p for p in m.program.channels if p.node == pin.inside)
    found = sick(name, suspect, size)
    return found.volts(ground.node) - found.volts(f"{pin.unit}.gnd")


# Places ---------------------------------------------------------------------------------------------------------------


def _shares(idea, item):
    m = machine(item.machine)
    place = item.ask.split()[0]
    told = [set(re.findall(r"B\d+", o.text)) for o in item.options]
    fed = {}
    for supply in m.all(Supply):
        for pin in supply.pins:
            net = nx.node_connected_component(m.copper(), pin)
            for plug in m.plugs:
                if plug.kind == "sensor" and net & set(plug.harness):
                    fed.setdefault(pin, set()).add(plug.name)
    lost = _lost(m, place)
    mine = max((s for s in fed.values() if lost <= s), key=len)
    models = {
        "each sensor has its own supply": lambda: [t for t in told if len(t) == 1 and t < lost],
        "all sensors share one supply": lambda: [set().union(*fed.values())],
        "what shares a supply is lost with any part of it": lambda: [mine],
        "a connector is one circuit": lambda: [
            set().union(*(_lost(m, c.name) for c in m.all(Contact) if c.name.startswith(place.rsplit(".", 1)[0] + ".")))
        ],
        "what is before the break is lost, and what is behind it works": lambda: [mine - lost],
    }
    return {n for n, t in enumerate(told) if t in models[idea]()}


def _lost(m, place):
    copper = m.copper()
    pins = {p for s in m.all(Supply) for p in s.pins}
    before = {p.name for p in m.plugs if p.kind == "sensor" and _fed(copper, p, pins)}
    part = m.part(place, (Wire, Contact))
    copper.remove_edge(part.a, part.b)
    whole = m.copper()
    return {p.name for p in m.plugs if p.name in before
            and any(_reach(whole, h, pins) and not _reach(copper, h, pins) for h in p.harness)}  # fmt: skip


def _fed(copper, plug, pins):
    return any(_reach(copper, h, pins) for h in plug.harness)


def _reach(copper, point, pins):
    return bool(nx.node_connected_component(copper, point) & pins)


# Reasoning ------------------------------------------------------------------------------------------------------------


def _explains(idea, item):
    name, m = item.machine, machine(item.machine)
    read = rows(item)
    odd = [(p, v) for p, v in read if not same(v, healthy(name).volts(p, m.earth))]
    fits = [[could(name, o.text, p, v) for p, v in read] for o in item.options]
    if idea == "a good reading clears nothing":
        return {n for n, f in enumerate(fits) if all(ok for ok, r in zip(f, read, strict=True) if r in odd)}
    if idea == "one odd reading is as good as another":  # whatever disturbs one of these circuits will do
        return {n for n, o in enumerate(item.options) if any(_moves(name, o.text, p) for p, _ in read) or any(fits[n])}
    return {n for n, f in enumerate(fits) if any(f)}  # what ails a circuit does not matter


def _moves(name, text, point):
    suspect, _ = fault(text)
    good = healthy(name).volts(point, machine(name).earth)
    return any(not same(shows(name, text, point, size), good) for size in suspect.sizes[1:] or (0.0,))


def _supported(idea, item):
    called = re.search(r'the call "(.+)"\?', item.ask)[1]
    read = rows(item)
    name = item.machine
    fits = [could(name, called, p, v) for p, v in read]
    yes = {n for n, o in enumerate(item.options) if o.text.startswith("yes: none")}
    if idea == "what explains the readings is proven":
        return yes if all(fits) else set()
    if idea == "most readings fit, so the call stands":
        return yes if sum(fits) >= len(fits) / 2 else set()
    if idea == "a code names the part":
        codes = [a for a, _ in item.rows if a.startswith("code ")]
        return {n for n, o in enumerate(item.options) if o.text == "yes: the code says so" and codes}
    found = set()
    for n, o in enumerate(item.options):
        if m := re.fullmatch(r"no: (.+) explains them all as well", o.text):
            out = not all(could(name, m[1], p, v) for p, v in read)
            if idea == "what a reading rules out is still in" and out:
                found.add(n)
        if m := re.fullmatch(r"no: (\S+) against \S+ speaks against it", o.text):
            v = dict(read)[m[1]]
            if idea == "a reading that fits can speak against" and could(name, called, m[1], v):
                found.add(n)
    return found


def _choose(idea, item):
    shown, minutes, bits = _parted(item), [float(_test(o)[2]) for o in item.options], told_bits(item)
    suspects = sum(shown[0])
    models = {
        "minutes do not matter": lambda n: bits[n] > max(bits) - 0.01,
        "the nearest point comes first": lambda n: minutes[n] == min(minutes),
        "one suspect is tested after the other": lambda n: sorted(shown[n]) == [1, suspects - 1],
        "any reading is better than none": lambda n: bits[n] == 0,
    }
    return {n for n in range(len(item.options)) if models[idea](n)}


def told_bits(item):
    """What every test on offer tells, in bits, all suspects being as likely."""
    return [-sum(k / sum(g) * np.log2(k / sum(g)) for k in g) + 0.0 for g in _parted(item)]


def _parted(item):
    told = re.search(r"each as likely: (.+?)\. Key on", item.ask)[1]
    suspects = re.split(r", | and ", told)
    return [_sizes(sorted(shows(item.machine, s, _test(o)[0]) for s in suspects)) for o in item.options]


def _test(option):
    return re.fullmatch(r"(\S+) against (\S+), ([\d.]+) min", option.text).groups()


def _sizes(v):
    """How many of sorted readings fall together."""
    groups = [1]
    for a, b in pairwise(v):
        if b - a > 0.1 + 0.04 * abs(b):
            groups.append(1)
        else:
            groups[-1] += 1
    return groups


def _chance(idea, item):
    before = {a: float(b.split()[0]) / 100 for a, b in item.rows}
    asked = re.search(r'How likely is "(.+)" now', item.ask)[1]
    believed = {
        "a reading changes only what it rules out": before[asked], "all that are left are as likely": 0.5,
        "what fits a reading is proven": 1.0, "chances before the reading do not count": 0.25,
    }[idea]  # fmt: skip
    return {n for n, o in enumerate(item.options) if o.text == f"{100 * believed:.0f} %"}


def _trace(idea, item):
    nothing = {n for n, o in enumerate(item.options) if o.text.startswith("no fault")}
    if idea == "what moves is a signal":
        return nothing
    point = item.recorded.label.split(" against ")[0]
    # The level does not matter, or the kind will do: whatever moves this point at all.
    return {n for n, o in enumerate(item.options) if n not in nothing and _moves(item.machine, o.text, point)}


def _drawing(idea, item):
    at = [n for n, o in enumerate(item.options) if o.text.startswith("nothing")]
    if idea in ("a reading that the drawing does not expect is a fault", "what does not fit the drawing is a slip"):
        return set(at)
    if idea == "any wrong splice would explain it":
        return {n for n, o in enumerate(item.options) if " is drawn on " in o.text}
    # Exchanged cavities: who looks at one reading that is off, or who trusts none that is as drawn.
    earth = machine(item.machine).earth
    off = [p.rstrip("f") for p, v in rows(item) if not same(v, healthy(item.machine).volts(p, earth))]
    swaps = {n: re.findall(r"X\d+\.\d+", o.text) for n, o in enumerate(item.options) if "exchanged" in o.text}
    return {n for n, pair in swaps.items() if len(set(pair) & set(off)) == 1}


def _danger(idea, item):
    words = {
        "a meter on volts harms electronics": "volts with",
        "ohms are never measured on a harness": "ohms,",
        "a test lamp is never used at all": f"a {LAMP_W:g} W test lamp",
        "battery voltage is laid on nothing": "jumper from",
        "whatever shows amperes loads the circuit": "a clamp ammeter",
        "a jumper to ground is always a short": "a jumper with",  # with or without a fuse
    }
    return {n for n, o in enumerate(item.options) if words[idea] in o.text}


MODELS = {
    "reading": _reading, "shares": _shares, "explains": _explains, "supported": _supported, "choose": _choose,
    "chance": _chance, "trace": _trace, "drawing": _drawing, "danger": _danger,
}  # fmt: skip


def believed(idea, item):
    """The options (or the numbers of wrong values) that a holder of this idea takes for right."""
    return MODELS[item.kind](idea, item)

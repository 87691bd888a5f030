"""The wiring drawing: everything on it, nothing on top of anything else, readable on A4, the same every time."""

import json
from itertools import combinations, pairwise
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from casekit.files.check import read_machine
from casekit.files.harness import pieces
from casekit.teaching.drawing import drawing, full_sheet
from casekit.teaching.sheet import along

FILES = sorted((Path(__file__).parents[1] / "scenarios" / "machines").glob("*.yaml"))
FEED = [
    {"wire": "W1", "path": ["F1.1", "G1.+"], "length_m": 1, "colour": "red"},
    {"wire": "W2", "path": ["S1.1", "F1.2"], "length_m": 1, "colour": "red"},
    {"wire": "W3", "path": ["X1.1", "S1.2"], "length_m": 1, "colour": "red"},
    {"wire": "W4", "path": ["X1.2", "GND1"], "length_m": 1, "colour": "black"},
    {"wire": "W5", "path": ["GND1", "G1.-"], "length_m": 1, "colour": "black"},
]


def odd(tmp_path, sensors, runs, unit, connectors=(), points=None, feed=FEED):
    """A checked machine from runs written as `X1.5 X11.1 B1.1`; `unit` adds to the control unit."""
    wires = list(feed)
    for k, run in enumerate(runs, 10):
        path = run.split()
        wires.append({"wire": f"W{k}", "path": path, "length_m": [1.0] * (len(path) - 1), "colour": "violet/white"})
    ends = {end for wire in wires for end in wire["path"]}
    warm = {"at": {"on": 20, "run": 80}}
    extra = {"thermistor": warm, "platinum": warm, "hall": {}, "inductive": {"role": "speed"}}
    ranged = {"unit": "bar", "range": [0, 10], "at": {"on": 1, "run": 2}}
    data = {
        "machine": "odd",
        "title": "Odd machine",
        "about": "Invented.",
        "battery": {},
        "fuses": {"F1": {"rating_a": 10}},
        "key_switch": {},
        "grounds": {"GND1": {"where": "frame"}},
        "control_unit": {"connectors": {"X1": {"cavities": 90}}, "feed": "X1.1", "grounds": ["X1.2"], **unit},
        "connectors": {n: {"cavities": 40, "where": "somewhere"} for n in connectors},
        "splices": {e: {"where": "somewhere"} for e in sorted(ends) if e.startswith("SP")},
        "sensors": {
            n: {"type": t, "title": f"{t} of {n}", "where": "somewhere", **extra.get(t, ranged)}
            for n, t in sensors.items()
        },
        "wires": wires,
        "contact_points": points or {},
    }
    path = tmp_path / "odd.yaml"
    path.write_text(json.dumps(data), encoding="utf-8")
    return read_machine(path)


def pins(supplies=("X1.5",), returns=("X1.6",), inputs=(), **more):
    """Control unit keys for the pins named."""
    return {
        "supplies": {"V1": {"pins": list(supplies)}},
        "returns": list(returns),
        "inputs": {p: {"pull_up_ohm": 2200} for p in inputs},
        **more,
    }


def sweeper():
    return read_machine(next(path for path in FILES if path.stem == "street-sweeper"))


def smallest(tmp_path):
    """One thermistor, no splice, no in-line connector."""
    return odd(tmp_path, {"B1": "thermistor"}, ["X1.10 B1.1", "X1.6 B1.2"], pins(inputs=["X1.10"]))


def one_connector(tmp_path):
    """Fourteen sensors on one control unit connector, three of them behind three in-line connectors in a row."""
    sensors = {f"B{k}": "pressure" for k in range(1, 15)}
    runs = ["X1.5 SP1", "X1.6 SP2"]
    for k in range(1, 15):
        way = f"X11.{k} X12.{k} X13.{k}" if k < 4 else f"X14.{k}" if k < 9 else ""
        runs += [f"X1.{k + 9} {way} B{k}.2", f"SP1 B{k}.1", f"SP2 B{k}.3"]
    return odd(
        tmp_path, sensors, runs, pins(inputs=[f"X1.{k + 9}" for k in range(1, 15)]), ["X11", "X12", "X13", "X14"]
    )


def two_way_connectors(tmp_path):
    """Two in-line connectors passed in either order, a splice chain of four, a wire doubled, a supply on two pins."""
    runs = [
        "X1.5 SP1", "X1.7 SP1", "SP1 SP2", "SP2 SP3", "SP2 SP3", "SP3 SP4", "SP4 X11.1 X12.1 B1.1",
        "SP4 X12.2 X11.2 B2.1",
        "X1.10 X11.3 X12.3 B1.2", "X1.11 X12.4 X11.4 B2.2", "X1.6 SP5", "SP5 X11.5 B1.3", "SP5 B2.3",
    ]  # fmt: skip
    unit = pins(["X1.5", "X1.7"], inputs=["X1.10", "X1.11"])
    return odd(tmp_path, {"B1": "potentiometer", "B2": "hall"}, runs, unit, ["X11", "X12"])


def changing_sides(tmp_path):
    """Nets that cross: a supply on X1 and a return on X2 used on both sides, a signal pair on both, and one double."""
    runs = [
        "X1.5 SP1", "SP1 B1.1", "SP1 X11.1 SP2", "SP2 B2.1", "SP2 B3.1", "SP1 B3.4", "X2.6 SP3", "SP3 B1.3", "SP3 B2.3",
        "SP3 B3.3", "SP3 B3.6", "X1.10 B1.2", "X2.10 X11.2 B2.2", "X1.11 B3.2", "X2.11 B3.5", "X1.12 B4.1",
        "X2.12 B4.2",
        "X1.13 B5.1", "GND1 B5.2", "X1.7 GND1",
    ]  # fmt: skip
    unit = pins(returns=["X2.6", "X1.7"], inputs=["X1.10", "X1.11", "X1.12", "X1.13", "X2.10", "X2.11", "X2.12"])
    unit["connectors"] = {"X1": {"cavities": 20}, "X2": {"cavities": 20}}
    kinds = {"B1": "pressure", "B2": "hall", "B3": "double potentiometer", "B4": "inductive", "B5": "thermistor"}
    return odd(tmp_path, kinds, runs, unit, ["X11"])


def spliced_feed(tmp_path):
    """Splices and an in-line connector in the feed, one double potentiometer on one side, contacts at wire ends."""
    feed = [*FEED[:2], {"wire": "W3", "path": ["SP8", "S1.2"], "length_m": 1, "colour": "red"}, *FEED[3:]]
    runs = ["X1.1 X15.1 SP8", "SP8 SP9", "SP9 SP7", "SP7 SP8", "X1.5 SP1", "SP1 B1.1", "SP1 B1.4", "X1.10 X11.1 B1.2",
            "X1.11 X11.2 B1.5", "X1.6 SP2", "SP2 B1.3", "SP2 B1.6", "X1.12 X15.2 GND1"]  # fmt: skip
    points = {f"CP{k}": {"where": "edge", "wires": dict.fromkeys(("W3", "W14", "W17a"), k / 4)} for k in range(5)}
    unit = pins(inputs=["X1.10", "X1.11", "X1.12"])
    return odd(tmp_path, {"B1": "double potentiometer"}, runs, unit, ["X11", "X15"], points, feed)


def both_thermometers(tmp_path):
    """Thermistor, platinum thermometer and pick-up, each on either side of the control unit."""
    kinds = {f"B{k}": kind for k, kind in enumerate(["thermistor", "platinum", "inductive"] * 2, 1)}
    runs = ["X1.5 GND1", "X1.6 SP1", "X2.6 SP2"]
    runs += [run for k in range(1, 4) for run in (f"X1.{k + 9} B{k}.1", f"SP1 B{k}.2")]
    runs += [run for k in range(4, 7) for run in (f"X2.{k + 9} B{k}.1", f"SP2 B{k}.2")]
    inputs = [f"X1.{k}" for k in (10, 11, 12)] + [f"X2.{k}" for k in (13, 14, 15)]
    unit = pins(["X1.3"], ["X1.5", "X1.6", "X2.6"], inputs)
    unit["connectors"] = {"X1": {"cavities": 20}, "X2": {"cavities": 20}}
    return odd(tmp_path, kinds, runs, unit)


ODD = [smallest, one_connector, two_way_connectors, changing_sides, spliced_feed, both_thermometers]


@pytest.fixture(params=[*FILES, *ODD], ids=lambda f: getattr(f, "stem", None) or f.__name__)
def machine(request, tmp_path):
    """Every machine of the scenarios folder, and odd ones made to be hard to draw."""
    return read_machine(request.param) if isinstance(request.param, Path) else request.param(tmp_path)


def texts(svg):
    """All texts of the SVG, whole and word by word."""
    found = [t.text for t in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]
    return {*found, *(word for text in found for word in text.split())}


def overlap(a, b):
    """Whether two extents (x0, y0, x1, y1) share more than a hair (0.05 points)."""
    return min(a[2], b[2]) - max(a[0], b[0]) > 0.05 and min(a[3], b[3]) - max(a[1], b[1]) > 0.05


def segments(sheet):
    """Every straight stretch of wire and bar as (name, extent)."""
    for wire in sheet.wires:
        for (x0, y0), (x1, y1) in pairwise(wire.points):
            yield wire.name, (min(x0, x1) - 0.1, min(y0, y1) - 0.1, max(x0, x1) + 0.1, max(y0, y1) + 0.1)
    for bar in sheet.bars:
        yield bar.name, (bar.x - 0.1, bar.y0, bar.x + 0.1, bar.y1)


def every_label(sheet):
    return [*sheet.labels, *(mark.number for mark in sheet.marks)]


def test_everything_is_named(machine):
    """Every terminal a probe can reach, every wire, splice and contact point is written on the drawing."""
    written = texts(drawing(machine))
    found = list(pieces(machine))
    ends = {end for piece in found for end in (piece.a, piece.b)}
    assert ends <= written
    assert {piece.name for piece in found} <= written
    assert {*machine.splices, *machine.connectors, *machine.contact_points, *machine.sensors} <= written
    assert "Invented machine for teaching." in written


def test_every_probe_point_has_a_place(machine):
    """Points are where the wires end, so that a click lands on the terminal."""
    sheet = full_sheet(machine)
    for wire in sheet.wires:
        for end, point in ((wire.a, wire.points[0]), (wire.b, wire.points[-1])):
            if end not in machine.splices:
                assert sheet.points[end] == pytest.approx(point), end
    assert len({(round(x, 1), round(y, 1)) for x, y in sheet.points.values()}) == len(sheet.points)


def test_no_labels_overlap(machine):
    clashes = [
        (a.text, b.text) for a, b in combinations(every_label(full_sheet(machine)), 2) if overlap(a.extent, b.extent)
    ]
    assert clashes == []


def test_labels_stay_on_the_sheet(machine):
    sheet = full_sheet(machine)
    outside = [
        q.text for q in every_label(sheet) if q.extent[0] < 0 or q.extent[2] > sheet.width or q.extent[3] > sheet.height
    ]
    assert outside == []


def test_no_wire_through_a_part_or_a_label(machine):
    sheet = full_sheet(machine)
    lines = list(segments(sheet))
    boxes = [(box.name, (box.x0 + 0.3, box.y0 + 0.3, box.x1 - 0.3, box.y1 - 0.3)) for box in sheet.boxes]
    assert [(n, b) for n, line in lines for b, box in boxes if overlap(line, box)] == []
    assert [(n, q.text) for n, line in lines for q in every_label(sheet) if overlap(line, q.extent)] == []


def test_bars_and_wires_never_lie_on_each_other(machine):
    """Wires of different nets may cross; they may not run along each other, nor touch a foreign splice dot."""
    sheet = full_sheet(machine)
    lines = [(w.name, w.net, q) for w in sheet.wires for q in pairwise(w.points)]
    for bar in sheet.bars:
        if bar.kind == "splice":
            lines.append((bar.name, bar.net, ((bar.x, bar.y0), (bar.x, bar.y1))))
    ends = {w.name: {w.a, w.b} for w in sheet.wires}
    clashes = []
    for (a, _, (p, q)), (b, _, (r, s)) in combinations(lines, 2):
        if ends.get(a, {a}) & ends.get(b, {b}):
            continue
        for k in (0, 1):
            along_line = abs(p[k] - q[k]) < 0.1 and abs(r[k] - s[k]) < 0.1 and abs(p[k] - r[k]) < 1
            shared = min(max(p[1 - k], q[1 - k]), max(r[1 - k], s[1 - k])) - max(
                min(p[1 - k], q[1 - k]), min(r[1 - k], s[1 - k])
            )
            if along_line and shared > 0.1:
                clashes.append((a, b))
    assert clashes == []


def test_contact_points_lie_on_their_wires(machine):
    sheet = full_sheet(machine)
    paths = {wire.name: wire.points for wire in sheet.wires}
    assert len(sheet.marks) == sum(len(p.wires) for p in machine.contact_points.values())
    for mark in sheet.marks:
        share = machine.contact_points[mark.name].wires[mark.wire]
        x, y = along(paths[mark.wire], share)
        assert abs(mark.x - x) + abs(mark.y - y) <= 31, mark
        assert any(
            min(p[0], q[0]) - 0.1 <= mark.x <= max(p[0], q[0]) + 0.1
            and min(p[1], q[1]) - 0.1 <= mark.y <= max(p[1], q[1]) + 0.1
            for p, q in pairwise(paths[mark.wire])
        )


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_legible_on_a4(path):
    """5.5 pt or more on A4 landscape, colours written in full, for every machine of the kit."""
    sheet = full_sheet(read_machine(path))
    assert min(label.size for label in every_label(sheet)) * sheet.a4_scale >= 5.5
    assert not [label.text for label in sheet.labels if "…" in label.text]


def test_same_file_same_drawing(machine):
    assert drawing(machine) == drawing(machine)


def test_svg_says_what_it_is():
    root = ET.fromstring(drawing(sweeper()))
    assert root.get("role") == "img"
    assert root.get("viewBox").startswith("0 0 ")
    assert root[0].tag.endswith("title")
    assert root[0].text == "Wiring drawing: Compact street sweeper"


def test_every_two_wire_sensor_has_a_symbol_of_its_own(tmp_path):
    """A thermistor, a platinum thermometer and a pick-up differ in their lines or in a word, on either side."""
    machine = both_thermometers(tmp_path)
    sheet = full_sheet(machine)
    lines = [
        [tuple(map(float, point.split(","))) for point in shape.get("d").replace("M", "").split("L")]
        for shape in ET.fromstring(drawing(machine)).iter("{http://www.w3.org/2000/svg}path")
    ]
    for side in (-1, 1):
        symbols = {}
        for box in sheet.boxes:
            if box.side == side:
                inside = [q for q in lines if all(box.x0 < x < box.x1 and box.y0 < y < box.y1 for x, y in q)]
                words = [q.text for q in sheet.labels if box.x0 < q.x < box.x1 and box.y0 < q.y < box.y1]
                moved = sorted(tuple((round(x - box.x0), round(y - box.y0)) for x, y in q) for q in inside)
                symbols[box.kind] = (moved, [w for w in words if not w.startswith("B")])
                taken = [segment for q in inside for segment in pairwise(q)]
                free = [q.extent for q in sheet.labels if q.text == "Pt"]
                assert not [s for s in taken for e in free if overlap(bounds(*s), e)], box.name
        assert len(symbols) == 3
        assert all(a != b for a, b in combinations(symbols.values(), 2))
        assert symbols["platinum"][1] == ["Pt"]


def bounds(p, q):
    """The extent of a straight line, a hair wide."""
    return min(p[0], q[0]) - 0.1, min(p[1], q[1]) - 0.1, max(p[0], q[0]) + 0.1, max(p[1], q[1]) + 0.1


def test_text_is_escaped():
    """A colour or title with markup in it is text, not markup."""
    plain = sweeper()
    wires = [w.model_copy(update={"colour": '<&"'}) if w.wire == "W14" else w for w in plain.wires]
    svg = drawing(plain.model_copy(update={"wires": wires, "title": "$<b>&\nsweeper$"}))
    assert 'W14 <&"' in texts(svg)
    assert "$<b>& sweeper$" in texts(svg)
    assert "W14 &lt;&amp;" in svg

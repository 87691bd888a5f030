"""Machines from tables: what a wire list becomes, and what is said of rows that cannot be meant."""

import networkx as nx
import pandas as pd
import pytest

import casekit
from casekit import ScenarioError
from casekit.command import main
from casekit.files.check import read_machine
from casekit.files.harness import cavity_of, pieces

HEAD = "part,type,pin,unit pin,supply,colour,connector,length_m,title,low code"
ROWS = """
B1,pressure,1,X1.1,V1,red,X11.1,2.0,oil pressure,P0522
B1,pressure,2,X1.2,,blue,X11.2,2.0,,
B1,pressure,3,X1.3,,brown,X11.3,2.0,,
B2,potentiometer,1,X1.1,V1,red/white,X11.1,1.5,fuel level,
B2,potentiometer,2,X1.4,,green,X11.4,1.5,,
B2,potentiometer,3,X1.3,,brown/white,X11.3,1.5,,
B3,thermistor,1,X1.5,,white,,1.0,coolant temperature,
B3,thermistor,2,X1.3,,brown,,1.0,,
B4,hall,1,X1.6,V2,pink,,1.2,,
B4,hall,2,X1.7,,grey,,1.2,,
B4,hall,3,X1.8,,black,,1.2,,
B5,inductive,1,X1.9,,yellow,,1.2,,
B5,inductive,2,X1.10,,violet,,1.2,,
""".strip().splitlines()


KEPT = "name another file, or write over it, and over what was changed in it, with --over (in Python: over=True)."


def table(tmp_path, rows=ROWS, head=HEAD, name="pump.csv", separator=","):
    path = tmp_path / name
    path.write_text("\n".join([head, *rows]).replace(",", separator) + "\n", encoding="utf-8")
    return path


def test_a_table_becomes_a_machine(tmp_path):
    made = casekit.sketch(table(tmp_path), "pump", "Pump of the depot")
    m = made.machine
    assert list(m.sensors) == ["B1", "B2", "B3", "B4", "B5"]
    assert m.sensors["B1"].codes.low == "P0522"
    assert {n: s.pins for n, s in m.control_unit.supplies.items()} == {"V1": ["X1.1"], "V2": ["X1.6"]}
    assert m.control_unit.returns == ["X1.3", "X1.8"]
    assert m.control_unit.inputs["X1.5"].pull_up_ohm == 2490
    assert m.control_unit.feed == "X1.11"
    assert m.connectors["X11"].cavities == 4
    runs = {tuple(w.path): w.colour for w in m.wires}
    # Two sensors behind one cavity share a splice beyond it; the third return joins before the plug.
    assert runs["X1.1", "X11.1", "SP1"] == "red"
    assert runs["SP1", "B2.1"] == "red/white"
    assert runs["X1.3", "SP2"] == "brown"
    assert runs["SP2", "X11.3", "SP3"] == "brown"
    assert runs["SP2", "B3.2"] == "brown"
    assert runs["X1.4", "X11.4", "B2.2"] == "green"
    # Along every way from the control unit to a sensor lie as many metres as the table says.
    graph = nx.Graph()
    for piece in pieces(m):
        graph.add_edge(cavity_of(piece.a), cavity_of(piece.b), length_m=piece.length_m)
    for pin, unit_pin, length in (("B1.1", "X1.1", 2.0), ("B2.3", "X1.3", 1.5), ("B3.2", "X1.3", 1.0)):
        way = nx.shortest_path_length(graph, unit_pin, pin, weight="length_m")
        assert way == pytest.approx(length, abs=0.01)


def test_what_was_assumed_is_said(tmp_path):
    made = casekit.sketch(table(tmp_path), "pump")
    assert repr(made).splitlines() == [
        "Pump: 5 sensors, 21 wires, 3 splices.",
        "Assumed: the control unit is fed at X1.11 and grounded at X1.12.",
        "Assumed: V1, V2 give 5 V, and 0.25 A at most when shorted.",
        "Assumed: there is a pull-down of 100000 Ω at X1.2, X1.4.",
        "Assumed: there is a pull-up of 2490 Ω at X1.5.",
        "Assumed: there is a pull-up of 2200 Ω at X1.7.",
        "Assumed: there is a pull-down of 10000 Ω at X1.9, X1.10.",
        "Assumed: B1 goes from 0 to 10 bar.",
        "Assumed: B1 stands at 2 bar.",
        "Assumed: B2 goes from 0 to 100 %.",
        "Assumed: B2 stands at 20 %.",
        "Assumed: B3 is at 20 °C with the key on, and 85 °C running.",
        "Assumed: battery, fuse F1, key switch S1 and grounds are wired as is usual.",
        "Assumed: the splices SP1, SP2, SP3 are where pins serve several sensors.",
        "Assumed: a splice is at half the shortest way to its sensors, or where two follow each other at a quarter and "
        "three quarters.",
        "Assumed: an in-line connector is in the middle of the wire that passes it.",
        "Assumed: every wire has 0.5 mm².",
    ]
    assert "data:image/svg+xml;base64," in made._repr_html_()


def test_it_is_saved_as_a_machine_file_and_can_be_measured(tmp_path, monkeypatch):
    made = casekit.sketch(table(tmp_path), "pump")
    folder = tmp_path / "scenarios"
    (folder / "machines").mkdir(parents=True)
    path = made.save(folder / "machines" / "pump.yaml")
    assert read_machine(path) == made.machine
    monkeypatch.setenv("CASEKIT_SCENARIOS", str(folder))
    bench = casekit.open_machine("pump", fault=casekit.Open("B1.1"))
    bench.key("on")
    assert bench.volts("B2.1", "G1.-").value == pytest.approx(5.0, abs=0.06)
    assert bench.volts("B1.2", "G1.-").value < 0.1
    with pytest.raises(ScenarioError) as caught:
        made.save(tmp_path / "other.yaml")
    assert str(caught.value) == f"{tmp_path / 'other.yaml'}: name the file pump.yaml, as the machine is called."
    with pytest.raises(ScenarioError) as caught:
        made.save(path)
    assert str(caught.value) == f"{path}: is there already; {KEPT}"
    assert made.save(path, over=True) == path


def test_other_column_names_other_separators_and_workbooks(tmp_path):
    plain = casekit.sketch(table(tmp_path), "pump").machine
    head = HEAD.replace("part", "Component").replace("unit pin", "ECU Pin").replace("length_m", "Length_M")
    columns = {"part": "component", "unit pin": "ECU pin"}
    other = table(tmp_path, head=head, name="other.csv", separator=";")
    changed = {"about": plain.about}
    assert casekit.sketch(other, "pump", columns=columns).machine.model_copy(update=changed) == plain
    frame = pd.DataFrame([row.split(",") for row in ROWS], columns=HEAD.split(","))
    book = tmp_path / "pump.xlsx"
    with pd.ExcelWriter(book) as writer:
        pd.DataFrame({"nothing": []}).to_excel(writer, sheet_name="front", index=False)
        frame.to_excel(writer, sheet_name="wires", index=False)
    assert casekit.sketch(book, "pump", sheet="wires").machine.model_copy(update=changed) == plain
    with pytest.raises(ScenarioError) as caught:
        casekit.sketch(book, "pump", sheet="wire")
    assert str(caught.value) == f"{book}: Worksheet named 'wire' not found; name a sheet that is there."


WRONG = [  # (row to change, column, what is written, the sentence)
    (0, 0, "b1", "2: part is 'b1'; write capitals and digits, as in B4."),
    (1, 1, "presure", "3: type is 'presure'; use one of potentiometer, double potentiometer, pressure, hall, "
     "thermistor, platinum, inductive. Did you mean pressure?"),
    (1, 2, "4", "3: pin is '4'; a sensor of type pressure has the pins 1 supply, 2 signal, 3 return."),
    (1, 2, "1", "3: B1.1 stands in row 2 already; give every pin one row."),
    (3, 3, "1", "5: unit pin is '1'; write connector and cavity of the control unit, as in X1.5."),
    (4, 3, "X1.2", "6: X1.2 takes the signal of B1 in row 3; every signal has its own."),
    (4, 3, "X1.3", "6: X1.3 is the signal of B2 and in row 4 the return of B1; a pin of the control unit has one "
     "task."),
    (3, 4, "V9", "5: X1.1 is the supply of B2 and in row 2 the supply of B1; a pin of the control unit has one "
     "task."),
    (3, 4, "5 V", "5: supply is '5 V'; write its name in capitals and digits, as in V1."),
    (4, 6, "X11.2", "6: X11.2 carries X1.2 in row 3 and X1.4 here; one cavity carries one circuit."),
    (4, 6, "X1.4", "6: connector X1.4 is the control unit's own; leave it empty where no plug is on the way."),
    (2, 7, "two", "4: length_m is 'two'; write a number above 0."),
    (0, 9, "P9999", "2: low code is 'P9999', which is not in the kit's list of titles."),
]  # fmt: skip


@pytest.mark.parametrize(("row", "column", "text", "sentence"), WRONG, ids=[w[3][:40] for w in WRONG])
def test_a_row_that_cannot_be_meant(tmp_path, row, column, text, sentence):
    rows = [r.split(",") for r in ROWS]
    rows[row][column] = text
    path = table(tmp_path, [",".join(r) for r in rows])
    with pytest.raises(ScenarioError) as caught:
        casekit.sketch(path, "pump")
    assert f"{path}:{sentence}" in [p.partition(" Did you")[0] if "P9999" in p else p for p in caught.value.problems]


@pytest.mark.parametrize(("column", "text"), [(7, "two"), (3, "X1"), (6, "plug"), (1, "gauge")])
def test_a_row_that_is_wrong_is_not_called_missing(tmp_path, column, text):
    """One slip, one sentence."""
    rows = [r.split(",") for r in ROWS]
    rows[1][column] = text
    path = table(tmp_path, [",".join(r) for r in rows])
    with pytest.raises(ScenarioError) as caught:
        casekit.sketch(path, "pump")
    assert len(caught.value.problems) == 1
    assert str(caught.value).startswith(f"{path}:3: ")


def test_all_rows_are_told_at_once(tmp_path):
    rows = [r.replace("pressure", "gauge") for r in ROWS[:3]] + ROWS[3:4]
    with pytest.raises(ScenarioError) as caught:
        casekit.sketch(table(tmp_path, rows), "pump")
    assert [p.split(":")[1] for p in caught.value.problems] == ["2", "3", "4", "5"]
    assert caught.value.problems[3].endswith(":5: B2 has no row for pin 2 (signal) and 3 (return); add it.")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "the file is empty; begin with a row of column names."),
        ("part,type,pin\nB1,pressure,1\n", "1: there is no column unit pin (for unit pin); there are: part, type, pin. "
         'Say which one is meant: --column "unit pin=THEIRS" (in Python: columns={"unit pin": "THEIRS"}).'),
        ("part,type,pin,ECU,unit\nB1,hall,1,X1.1,-\n", "1: there is no column unit pin (for unit pin); there are: "
         'part, type, pin, ECU, unit. Say which one is meant: --column "unit pin=THEIRS" (in Python: columns={"unit '
         'pin": "THEIRS"}).'),
        ("part,type,pin,unit pin\n", "the table has no rows under its head; fill it in."),
        ("part,part,type,pin,unit pin\nB1,B1,hall,1,X1.1\n", "1: the column part is there 2 times; keep one of them."),
        ("part,type,pin,unit pin\nB1,hall,1,X1.1,more\n", "2: the row has 5 cells and the head 4; put text with a "
         "comma in quotation marks."),
    ],
)  # fmt: skip
def test_a_file_that_is_no_table_of_pins(tmp_path, text, sentence):
    path = tmp_path / "pump.csv"
    path.write_text(text)
    with pytest.raises(ScenarioError) as caught:
        casekit.sketch(path, "pump")
    assert str(caught.value) in (f"{path}:{sentence}", f"{path}: {sentence}")


def test_by_command(tmp_path, capsys):
    path, out = table(tmp_path), tmp_path / "pump.yaml"
    assert main(["sketch", str(path), str(out), "--volts", "24", "--title", "Pump"]) == 0
    assert capsys.readouterr().out.splitlines()[-2:] == [
        f"{out} written; its drawing beside it", f"{tmp_path / 'pump.svg'} written; look at it",
    ]  # fmt: skip
    assert read_machine(out).battery.rest_v == 25.2
    assert (tmp_path / "pump.svg").read_text().startswith("<svg")
    out.write_text("changed by hand")
    assert main(["sketch", str(path), str(out)]) == 1
    assert capsys.readouterr() == ("", f"{out}: is there already; {KEPT}\n")
    assert out.read_text() == "changed by hand"
    out.unlink()
    assert main(["sketch", str(path), str(out)]) == 1
    assert capsys.readouterr().err == f"{tmp_path / 'pump.svg'}: is there already; {KEPT}\n"
    assert not out.exists()
    assert main(["sketch", str(path), str(out), "--over"]) == 0
    assert read_machine(out).battery.rest_v == 12.6
    assert capsys.readouterr().err == ""
    assert main(["sketch", str(path), str(out), "--column", "part"]) == 1
    assert capsys.readouterr().err.strip() == "--column part: write OURS=THEIRS, as in --column part=Component."
    assert main(["sketch", str(path), str(out), "--column", "art=Component"]) == 1
    assert capsys.readouterr().err.strip() == f"{path}: 'art' is no column of the kit. Did you mean part?"
    assert main(["sketch", str(path), str(out), "--volts", "48"]) == 1
    assert capsys.readouterr().err.strip() == f"{path}: the battery has 48 V; write 12 or 24."

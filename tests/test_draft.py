"""From bay notes to a case: what is fitted, what cannot be explained, and whether the case can be played."""

import time
from pathlib import Path

import pytest
import yaml

import casekit
from casekit import ScenarioError
from casekit.command import main
from casekit.files import library
from casekit.files.notes import read_notes

EXAMPLE = library.scenario_folder() / "notes" / "coolant-reads-cold.yaml"


@pytest.fixture(scope="module")
def example():
    return casekit.draft(EXAMPLE)


@pytest.fixture
def scenarios(tmp_path, monkeypatch):
    """A scenarios folder of one's own, with the kit's machines."""
    folder = tmp_path / "scenarios"
    (folder / "cases").mkdir(parents=True)
    (folder / "machines").symlink_to(library.scenario_folder() / "machines")
    monkeypatch.setenv("CASEKIT_SCENARIOS", str(folder))
    return folder


def notes(tmp_path, **changed):
    """The example with something changed; None takes a key out."""
    data = yaml.safe_load(EXAMPLE.read_text()) | {"notes": "mine"} | changed
    path = tmp_path / "mine.yaml"
    path.write_text(yaml.safe_dump({k: v for k, v in data.items() if v is not None}))
    return path


def test_the_example_becomes_a_case_that_can_be_solved(example):
    assert example.solvable
    assert example.case.faults[0].kind == example.notes.found.kind
    assert example.case.faults[0].r_ohm == pytest.approx(example.fit.size, rel=0.05)
    assert not example.fit.missed
    assert example.grade.par_min > 1
    assert example.tempting
    assert f"{example.grade.look_alikes} tempting false call" in dict(example.lines())["How hard"]
    assert len(example.hints) == 3
    assert "ask again for the next test" in example.hints[0]
    assert "data:image/svg+xml" in example._repr_html_()


def test_what_is_proposed_is_a_whole_case(example):
    case = example.proposed
    assert case.instructor.plan_min.bench >= 10
    assert len(case.instructor.ask) >= 2
    assert len(case.instructor.slips) >= 2
    assert case.teaches


def test_it_is_saved_and_played_by_name(example, scenarios):
    path = example.save()
    assert path == scenarios / "cases" / "coolant-reads-cold.yaml"
    assert casekit.open_case("coolant-reads-cold").sheet.title == example.case.title
    assert library.case_file("coolant-reads-cold").faults == example.case.faults
    listed = casekit.list_cases().set_index("case").loc["coolant-reads-cold"]
    assert listed.par_min == example.grade.par_min
    with pytest.raises(ScenarioError) as caught:
        example.save()
    assert str(caught.value) == (
        f"{path}: is there already; give the notes another name, or write over it with --over (in Python: over=True)."
    )
    assert example.save(over=True) == path


def test_a_page_of_notes_is_a_case_within_a_quarter_of_an_hour(scenarios, capsys):
    """The kit's own share of the quarter of an hour; the rest is typing."""
    began = time.monotonic()
    assert main(["new", str(EXAMPLE)]) == 0
    assert time.monotonic() - began < 180
    shown = capsys.readouterr().out
    for head in (
        "Fault: ",
        "Not explained: ",
        "Solvable: yes",
        "How hard: level ",
        "Tempting false calls: ",
        "Hint 1: ",
    ):
        assert head in shown
    assert "coolant-reads-cold.yaml written after" in shown


def test_a_reading_that_was_written_down_wrongly_is_named(tmp_path):
    lines = yaml.safe_load(EXAMPLE.read_text())["readings"]
    k = max(n for n, line in enumerate(lines) if line.startswith("volts"))
    word, red, black, shown = lines[k].split()[:4]
    lines[k] = f"{word} {red} {black} {float(shown) + 1.5:.3f}"
    made = casekit.draft(notes(tmp_path, readings=lines))
    (missed,) = made.fit.missed
    assert missed.reading.red == red
    assert missed.expected == pytest.approx(float(shown), abs=0.2)
    assert "Was it read at another point" in dict([made.lines()[1]])["Not explained"]


TUG = """\
notes: mine
machine: tug-tractor
title: The supply sags
complaint: The code comes back.
story: A new winch was fitted.
codes: [P0642]
found: {kind: short to ground, place: W12b}
readings:
  - key on
  - volts B3.1 G1.- 0.311
  - volts X14.1f G1.- 0.314
  - volts X14.1m G1.- 0.313
  - volts B1.1 G1.- 0.334
  - volts X1.3 G1.- 0.336
  - millivolts X14.1m B3.1 2.00 mV
"""


def test_one_slip_leaves_the_good_readings_in_the_case(tmp_path):
    """0.311 written down as 0.113 makes no other case of the same notes."""
    path = tmp_path / "mine.yaml"
    path.write_text(TUG.replace("0.311", "0.113"))
    made = casekit.draft(path)
    assert made.case.faults[0].r_ohm == pytest.approx(1.5, rel=0.07)
    assert made.case.faults[0].at == pytest.approx(0.3, abs=0.03)
    assert made.case.explanation == (
        "It was short to ground at W12b, 1.6 Ω. Because of it X14.1m against G1.- showed 0.313 V, where a healthy "
        "machine shows about 5.01 V (key on); X14.1f against G1.- showed 0.314 V, where a healthy machine shows about "
        "5.01 V (key on)."
    )
    assert made._missed().startswith("volts B3.1 against G1.- (key on), minute 2.0 showed 0.113 V, and the fit expects")


def test_no_case_is_made_of_readings_that_contradict_each_other(tmp_path, scenarios, capsys):
    """The short is said to be in another wire. Nothing is played and nothing is written, unless that is asked for."""
    path = tmp_path / "mine.yaml"
    path.write_text(TUG.replace("W12b", "W13a"))
    assert main(["new", str(path)]) == 1
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.strip() == (
        f"{path}:8: the readings contradict each other, and leaving out one or two does not make the others agree. "
        "Together agree volts X14.1f against G1.- 0.314 V, volts X14.1m against G1.- 0.313 V; and together volts B3.1 "
        "against G1.- 0.311 V; and together volts B1.1 against G1.- 0.334 V, volts X1.3 against G1.- 0.336 V; with no "
        "size of it agree millivolts X14.1m against B3.1 2.00 mV. No case is made of them: read one again, or leave "
        "out the one that is wrong, or `place`, and the places that fit are named; --anyway makes one of those that "
        "agree."
    )
    assert not list((scenarios / "cases").iterdir())
    assert casekit.draft(path).savable(anyway=True) == scenarios / "cases" / "mine.yaml"


def test_a_name_that_is_taken_is_refused_before_the_case_is_played(scenarios, tmp_path, capsys):
    there = scenarios / "cases" / "mine.yaml"
    there.write_text("mine\n")
    path = tmp_path / "mine.yaml"
    path.write_text(TUG)
    assert main(["new", str(path)]) == 1
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.strip() == (
        f"{there}: is there already; give the notes another name, or write over it with --over (in Python: over=True)."
    )
    assert there.read_text() == "mine\n"


def test_the_place_is_found_where_only_the_kind_is_known(tmp_path):
    found = yaml.safe_load(EXAMPLE.read_text())["found"]
    made = casekit.draft(notes(tmp_path, found={"kind": found["kind"]}))
    assert found["place"] in [fit.suspect.place for fit in made.fits]
    assert made.fits[0].chi2 <= made.fits[-1].chi2 or len(made.fits[0].missed) < len(made.fits[-1].missed)


WRONG = [
    ({"readings": ["key on", "volts B1.1"]},
     "'volts B1.1': 'volts B1.1' is not complete; write volts, red lead, black lead, display: volts B4.1 G1.- 4.98."),
    ({"readings": ["volt B1.1 G1.- 5"]},
     "'volt' is no word of the bay; begin with one of volts, millivolts, ohms, loaded, key, engine, unplug, plug, "
     "operate, release, warm, scan, codes, notice, look. Did you mean volts?"),
    ({"readings": ["key on", "volts B1.9 G1.- 5"]},
     "'volts B1.9 G1.- 5': 'B1.9' is not a point a lead can reach on this machine now. B1 has B1.1, B1.2, B1.3."),
    ({"readings": ["key on", "volts B1.1 G1.- five"]},
     "'volts B1.1 G1.- five': 'five' is not a number; write one such as 4.98 or 4.98 V."),
    ({"readings": ["key on", "volts B1.1 G1.- 5,055 V"]},
     "'volts B1.1 G1.- 5,055 V': '5,055 V' has a decimal comma; write a point, 5.055 V."),
    ({"readings": ["key on", "scan B4 half"]}, "'scan B4 half': 'half' is not a number; write one such as 4.98."),
    ({"readings": ["key on", "ohms B4.1 B4.2 2150"]},
     "'ohms B4.1 B4.2 2150': ohms with key on are no ohms; write the line `key off` and what it shows then."),
    ({"readings": ["scan B4 0.5"]},
     "'scan B4 0.5': scan data come from a control unit with the key on; write the line `key on` before it."),
    ({"readings": ["key on", "millivolts X11.8m B4.2 2.00"]},
     "'millivolts X11.8m B4.2 2.00': 2.00 without its unit counts as volt; write 2.00 mV."),
    ({"machine": "steam-engine"},
     "mine.yaml:8: there is no machine 'steam-engine'; there is: shuttle-bus, standby-generator, street-sweeper, "
     "telehandler, tug-tractor."),
    ({"found": {"kind": "open", "place": "W999"}},
     "a fault of kind open cannot be at W999; it is at a wire or cavity of the drawing, such as W1 or X12.3."),
    ({"found": {"kind": "sensor dead spot", "place": "X3.2"}},
     "a fault of kind sensor dead spot cannot be at X3.2; it is at a track: B7, B8."),
    ({"found": {"kind": "high resistance", "place": "X11.99"}},
     "a fault of kind high resistance cannot be at X11.99; wired there are X11.1, X11.2, X11.3, X11.4, X11.5, X11.6, "
     "X11.7, X11.8, X11.9, X11.10, X11.11, X11.12, X11.13, X11.14."),
    ({"found": {"kind": "opened"}}, "kind is 'opened'"),
    ({"readings": ["key on"]}, "there is no reading to fit; enter what was measured while the fault was there."),
    ({"readings": ["key on", "volts B4.1 G1.- 5.01"]},
     "the readings do not tell how large high resistance at X11.8 is; give a reading nearer to it, or its size."),
    ({"codes": ["P9999"]},
     "code P9999 is not in the kit's list of standard titles. standby-generator sets P0107, P0108, P0117, "
     "P0118, P0122, P0123, P0192, P0193, P0222, P0223, P0335, P0340, P0522, P0523, P0642, P0643, P0652, P0653, P2135."),
    ({"codes": "P0624"}, "code P0624 is not in the kit's list of standard titles. Did you mean P0642?"),
    ({"title": None}, "the key title is missing; add it."),
]  # fmt: skip


@pytest.mark.parametrize(("changed", "sentence"), WRONG, ids=[w[1][:30] for w in WRONG])
def test_notes_that_cannot_be_meant(tmp_path, changed, sentence):
    with pytest.raises(ScenarioError) as caught:
        casekit.draft(notes(tmp_path, **changed))
    assert sentence in str(caught.value)
    assert "\n" not in caught.value.problems[0]


def test_a_place_that_is_not_told_is_the_middle_of_the_wire(tmp_path):
    path = tmp_path / "mine.yaml"
    path.write_text(TUG.partition("  - volts X14.1f")[0])
    made = casekit.draft(path)
    assert made.case.faults[0].at == 0.5
    assert "at a place along the wire that they do not tell" in str(made.fit)


def test_a_forgotten_key_is_asked_for(tmp_path):
    path = tmp_path / "mine.yaml"
    text = TUG.replace("  - key on\n", "")
    for more, first in (("", "all your readings are"), ("  - key on\n  - volts B3.1 G1.- 0.311\n", "6 readings are")):
        path.write_text(text + more)
        with pytest.raises(ScenarioError) as caught:
            casekit.draft(path)
        assert str(caught.value) == (
            f"{path}:9: {first} with the key off, and with that they do not fit; is `key on` missing before them? If "
            "the key was off, write `key off` there."
        )


@pytest.mark.parametrize("codes", ["P0642", "P0642, P0643", "[P0642]", "none"])
def test_codes_may_stand_in_a_line(tmp_path, codes):
    path = tmp_path / "mine.yaml"
    path.write_text(TUG.replace("[P0642]", codes))
    assert read_notes(path)[0].codes == [c for c in ("P0642", "P0643") if c in codes]


def test_an_empty_page_and_one_with_tabs(tmp_path):
    path = tmp_path / "mine.yaml"
    for text, sentence in (
        ("", ":1: the file is empty or not a list of keys; start with `notes:`."),
        ("notes: mine\n\tmachine: a\n", ":2: cannot be read as YAML: a tab stands here; indent with spaces."),
    ):
        path.write_text(text)
        with pytest.raises(ScenarioError) as caught:
            casekit.draft(path)
        assert str(caught.value) == f"{path}{sentence}"


def test_a_blank_page_can_be_filled_in(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["new", "mine", "--machine", "tug-tractor"]) == 0
    assert capsys.readouterr().out.strip() == "mine.yaml written; fill it in, then: casekit new mine.yaml"
    assert "  # - millivolts X1.3 B4.1 2.00 mV   (along" in Path("mine.yaml").read_text()
    assert main(["new", "mine.yaml", "--dry"]) == 1
    assert "there is no reading to fit" in capsys.readouterr().err
    assert main(["new", "mine"]) == 1
    assert (
        capsys.readouterr().err.strip() == "mine.yaml: is there already; make a case of it with casekit new mine.yaml."
    )
    assert main(["new", "other", "--machine", "tug-tracto"]) == 1
    assert capsys.readouterr().err.strip().endswith("Did you mean tug-tractor?")
    assert main(["new", "My Story"]) == 1
    assert capsys.readouterr().err.strip() == (
        "'My Story' is no name for a case; write small letters and hyphens, as in oil-lamp-on."
    )
    assert not Path("other.yaml").exists()

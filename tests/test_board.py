"""The live drawing: everything on it has a place, and it shows the bench as it is and nothing more."""

import json
import re
from pathlib import Path

import pytest

import casekit
from casekit.files.library import machine_file, names
from casekit.machine.drawn import drawn
from casekit.machine.harness import Wire
from casekit.machine.state import State
from casekit.teaching import board as module
from casekit.teaching.board import Board, plan
from casekit.teaching.drawing import full_sheet
from casekit.teaching.places import plan_points


def board(bench):
    heard = []
    return Board(bench, lambda *picked: heard.append(picked)), heard


@pytest.mark.parametrize("name", names("machines"))
def test_everything_a_lead_can_reach_has_a_place(name):
    """Also what can only be reached with every plug apart."""
    machine = machine_file(name)
    plant = drawn(machine)
    apart = State("off", frozenset(p.name for p in plant.plugs))
    made = plan(machine, plant)
    assert set(plant.reachable(apart)) <= {p["name"] for p in made["points"]}
    assert {w["name"] for w in made["wires"]} == {w.name for w in plant.all(Wire)}
    assert {p["name"] for p in made["plugs"]} == {p.name for p in plant.plugs}
    assert {s["name"] for s in made["spots"]} == {p.name for p in plant.contact_points}
    assert {s["name"] for s in made["splices"]} == set(plant.splices())
    for p in made["points"]:
        assert 0 < p["x"] < made["width"]
        assert 0 < p["y"] < made["height"]


@pytest.mark.parametrize("name", names("machines"))
def test_no_two_points_are_under_one_click(name):
    """Rings of 3.6 points round every place a lead can land on: none covers the middle of another."""
    machine = machine_file(name)
    plant = drawn(machine)
    places = plan_points(full_sheet(machine), plant)
    every = [places[p] for p in plant.reachable(State("off", frozenset(p.name for p in plant.plugs)))]
    for k, (x, y) in enumerate(every):
        assert all((x - u) ** 2 + (y - v) ** 2 > 3.6**2 for u, v in every[k + 1 :]), (x, y)


@pytest.mark.parametrize("name", names("machines"))
def test_a_plug_covers_its_own_cavities_alone(name):
    """A click on a cavity, a wire or another plug never means this one."""
    plant = drawn(machine_file(name))
    made = plan(machine_file(name), plant)
    places = {p["name"]: (p["x"], p["y"]) for p in made["points"]}
    for plug in made["plugs"]:
        mine = {c for p in plant.plugs if p.name == plug["name"] for c in (*p.harness, *p.device)}
        for x0, y0, x1, y1 in plug["boxes"]:
            covered = {n for n, (x, y) in places.items() if x0 <= x <= x1 and y0 <= y <= y1}
            assert covered <= mine, plug["name"]
            assert (x1 - x0) * (y1 - y0) < 0.02 * made["width"] * made["height"], plug["name"]


def test_every_wire_says_its_colour_and_ends():
    made = plan(machine_file("street-sweeper"), drawn(machine_file("street-sweeper")))
    words = {w["name"]: w["words"] for w in made["wires"]}
    assert words["W14"] == "orange/green from SP2 to B12.1"
    assert words["W12a"].startswith("orange from ")
    assert all(re.match(r"[a-z]+(/[a-z]+)? from ", text) for text in words.values())
    assert next(p for p in made["points"] if p["name"] == "B12.1")["words"] == "W14 orange/green"


def test_the_board_shows_what_was_done():
    bench = casekit.open_case("broom-frame-dead")
    shown, _ = board(bench)
    assert shown.now["apart"] == shown.now["looked"] == shown.now["moved"] == []
    tied = [name for name, net in shown.now["nets"].items() if net == shown.now["nets"]["W14"]]
    assert {"W10", "W13", "W14"} <= set(tied)
    bench.unplug("X11")
    bench.look("CP1")
    bench.shift("CP2", "hard")
    bench.pierce("W10")
    shown.show("B5.1", "G1.-")
    now = shown.now
    assert (now["red"], now["black"], now["apart"]) == ("B5.1", "G1.-", ["X11"])
    assert (now["looked"], now["moved"]) == (["CP1"], ["CP2"])
    assert "W10@0.5" in now["bared"]
    assert now["nets"]["W14"] != now["nets"]["W10"]  # X11 is apart between them
    assert now["reach"] == bench.probe_points()
    bench.jumper("X11.1f", "X11.1m")
    shown.show()
    assert shown.now["nets"]["W14"] == shown.now["nets"]["W10"]


def test_picks_are_passed_on_and_nothing_else():
    shown, heard = board(casekit.open_machine("street-sweeper"))
    for content in ({"kind": "point", "name": "B5.1", "lead": "black"}, {"kind": "spot", "name": "CP1"},
                    {"kind": "plug", "name": "X11", "lead": "green"}, {"kind": "call", "name": "W14"}, 7):  # fmt: skip
        shown._heard(shown, content, [])
    assert heard == [("point", "B5.1", "black"), ("spot", "CP1", "red"), ("plug", "X11", "red")]


def test_what_is_sent_to_the_browser_is_the_same_whatever_is_wrong():
    """Two benches of one machine, one with a fault: before anything was done no trait differs."""
    fault = casekit.ShortToGround("W14", 0.2, 0.5)
    good, bad = (board(casekit.open_machine("street-sweeper", 3, f))[0] for f in (None, fault))
    for trait in ("svg", "plan", "now"):
        assert json.dumps(getattr(good, trait)) == json.dumps(getattr(bad, trait))


def test_colours_are_of_the_palette_or_without_hue():
    """Okabe and Ito 2008; red and black of the leads are the trade's own names, and carry a letter and a shape."""
    okabe_ito = {"#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#F0E442"}
    leads = {"#B00020", "#111111"}
    files = [Path(module.__file__).with_suffix(end).read_text(encoding="utf-8") for end in (".js", ".css")]
    used = set(re.findall(r"#[0-9A-Fa-f]{6}", "".join(files)))
    grey = {c for c in used if c[1:3] == c[3:5] == c[5:7]}
    assert used - grey - leads <= okabe_ito

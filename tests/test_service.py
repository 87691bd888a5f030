"""The case service: the same bench at a distance, nothing but readings; who may not, is refused and written down."""

import json
import logging
import os
import re
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import requests
import sqlalchemy as sa
from classservice import free_socket, request, running

import casekit
from casekit.bench.meter import Meter
from casekit.command import main
from casekit.error import BenchError, CasekitError, MissingError, ScenarioError
from casekit.files import library
from casekit.service import app as service_app
from casekit.service.store import Store
from casekit.teaching.again import WRITTEN
from casekit.teaching.away import Away
from casekit.teaching.classline import Line
from casekit.teaching.classlog import class_logs
from casekit.teaching.parcel import packed, unpacked
from casekit.teaching.practice import open_case

CASE = "broom-frame-dead"
SCRIPT = (
    ("key", ("on",), {}), ("volts", ("B5.1", "G1.-"), {"expect": 5.0, "sure": 0.8}), ("codes", (), {}),
    ("scope", ([("B5.1", "G1.-")],), {"s_per_div": 0.001}), ("unplug", ("B5",), {}), ("volts", ("B5.1", "G1.-"), {}),
    ("look", ("CP1",), {}), ("scan", (), {}), ("tick", ("open", "W11"), {"note": "perhaps"}), ("zero_clamp", (), {}),
    ("amps", ("W10",), {}), ("snapshot", ("P0642",), {}), ("call", ("short to ground", "W14"), {}),
)  # fmt: skip


@pytest.fixture(scope="module")
def service(tmp_path_factory):
    with running(tmp_path_factory.mktemp("service")) as found:
        yield found


def opened(service, user="T01", **more):
    return casekit.open_case(CASE, at=service.at, token=service.token(user), **more)


# The same bench -------------------------------------------------------------------------------------------------------


def test_a_bench_at_a_distance_gives_what_a_local_one_gives(service):
    away = opened(service)
    kept = service.store.bench(away._bench)
    here = open_case(CASE, kept.seed, kept.variant)
    assert repr(away.sheet) == repr(here.sheet)
    assert away.machine_file == here.machine_file
    for do, args, settings in SCRIPT:
        a, b = (getattr(bench, do)(*args, **settings) for bench in (away, here))
        if isinstance(b, pd.DataFrame):
            pd.testing.assert_frame_equal(a, b)
        elif hasattr(b, "figures"):
            pd.testing.assert_frame_equal(a.figures(), b.figures())
        else:
            assert repr(a) == repr(b), do
    assert repr(away.events) == repr(here.events)
    assert away.log.equals(here.log)
    assert (away.state, away.clock, away.closed) == (here.state, here.clock, here.closed)
    assert away.ticks.equals(here.ticks)
    assert away.moves().equals(here.moves())
    assert away.hint() == here.hint()


def test_it_is_found_again_where_it_was_left(service):
    first = opened(service, "T02")
    first.key("on")
    first.tick("open", "W11")
    again = opened(service, "T02")
    assert again.reopened == "the case is where you left it: 1 entries in its log."
    assert (again.state, again.clock, repr(again.events)) == (first.state, first.clock, repr(first.events))
    assert again.ticks.equals(first.ticks)
    service.service.desk._alive.clear()  # as after a restart: played again from what was kept
    assert again.volts("B5.1", "G1.-").shown
    assert opened(service, "T02", anew=True).events == []
    other = opened(service, "T03")
    assert other.events == []
    assert other._bench != again._bench


def test_what_cannot_be_done_is_said_and_costs_nothing(service):
    bench = opened(service, "T04")
    for call, sentence in (
        (lambda: bench.volts("nowhere", "G1.-"), "'nowhere' is not a point a lead can reach on this machine now."),
        (lambda: bench.key("sideways"), "the key has no position 'sideways'"),
        (lambda: bench.unplug(), "unplug cannot be asked like this: missing a required argument: 'name'."),
        (lambda: bench.volts("B5.1"), "a reading is taken between two points; name both, such as ('G1.+', 'G1.-')."),
        (lambda: bench.volts({"a": 1}, "G1.-"), "cannot be written down in the log"),
    ):
        with pytest.raises(BenchError, match=re.escape(sentence)):
            call()
    assert (bench.clock, bench.events, service.store.calls(bench._bench)) == (0.0, [], [])


def test_every_call_is_made_there_and_the_panel_works(service):
    assert all(getattr(Away, do).__qualname__ == getattr(open_case(CASE), do).__func__.__qualname__ for do in WRITTEN)
    bench = opened(service, "T05")
    panel = casekit.panel(bench, predict=False)
    panel.move.value = ("key", "on")
    panel.buttons["Do it"].click()
    panel.red.value = "B5.1"
    panel.buttons["Read"].click()
    assert re.search(r"\d V|mV", panel.display.value)
    assert [line["do"] for line in service.store.calls(bench._bench)] == ["key", "volts"]


def test_the_debrief_waits_for_its_release(service):
    bench, boss = opened(service, "T06"), Line(service.at, service.token("boss", instructor=True))
    bench.call("open", "W11")
    with pytest.raises(
        BenchError, match=r"^the debrief of this case is not released yet; your instructor does that\.$"
    ):
        bench.debrief()
    assert boss.post("class/releases", {"case": CASE}) == {"released": CASE}
    told = bench.debrief()
    kept = service.store.bench(bench._bench)
    here = open_case(CASE, kept.seed, kept.variant)
    here.call("open", "W11")
    assert repr(told) == repr(here.debrief())
    assert told._repr_html_() == here.debrief()._repr_html_()
    assert bench.closed
    with pytest.raises(BenchError, match="this case is closed after its debrief"):
        bench.key("on")


def test_logs_go_to_the_class_report(service, tmp_path):
    bench = opened(service, "T07")
    bench.key("on")
    bench.volts("B5.1", "G1.-")
    boss = casekit.classroom_line(service.at, service.token("boss", instructor=True))
    (mine,) = (row for row in boss.benches.itertuples() if row.trainee == "T07")
    assert (mine.case, mine.calls, mine.minutes, mine.closed) == (CASE, 2, bench.clock, False)
    found = class_logs(boss.logs(tmp_path) / "T07")
    assert [(a.trainee, a.case) for a in found.attempts] == [("T07", CASE)]
    assert found.troubles == ()
    assert list(boss.audit["what"][boss.audit["who"] == "T07"]) == [f"began bench {mine.bench[:6]} on {CASE}"]
    assert f"read the log of bench {mine.bench[:6]}" in list(boss.audit["what"][boss.audit["who"] == "boss"])
    (tmp_path / "T08").write_text("")
    opened(service, "T08")
    with pytest.raises(BenchError, match="choose another folder"):
        boss.logs(tmp_path)


# Nothing but readings -------------------------------------------------------------------------------------------------


def test_no_answer_tells_which_fault_it_is(tmp_path, caplog, monkeypatch):
    """Two variants of a case have the same answers to everything but readings: bytes, headers, log and audit."""
    monkeypatch.setattr(Meter, "drawn_by", classmethod(lambda cls, seed: cls()))
    numbers = library.variants(CASE)
    case = library.case_file(CASE)
    secret = [case.explanation[:40], *case.teaches, "faults", "explanation", "variant", "seed"]
    taken = {}
    with caplog.at_level(logging.DEBUG):
        for number in (0, next(iter(numbers))):
            with running(tmp_path / str(number)) as service:
                monkeypatch.setattr("casekit.service.desk.secrets.choice", lambda some, n=number: n)
                monkeypatch.setattr("casekit.service.desk.secrets.randbelow", lambda top: 7)
                token = service.token("T01")
                first = service.ask("POST", "api/benches", token, json={"request": request(), "case": CASE})
                id = first.json()["bench"]
                answers = [first]
                for body in (
                    {"do": "key", "args": ["on"]}, {"do": "debrief"}, {"do": "volts", "args": ["x", "G1.-"]},
                    {"do": "call", "args": ["open", "W11"]}, {"do": "debrief"}, {"do": "_mix"}, {"do": "volts"},
                    {"do": "tick", "args": ["open", "W11"]},
                ):  # fmt: skip
                    answers.append(
                        service.ask("POST", f"api/benches/{id}/calls", token, json={"request": request(), **body})
                    )
                for path in ("api/cases", "api/me", "api/papers", "api/class", f"api/class/logs/{id}", "health"):
                    answers.append(service.ask("GET", path, token))
                texts = [a.text.replace(id, "ID") for a in answers]
                headers = [sorted((k, v) for k, v in a.headers.items() if k != "date") for a in answers]
                audit = [what.replace(id, "ID").replace(id[:6], "ID") for _, _, what in service.store.audit()[0]]
                taken[number] = texts, headers, audit
                assert not any(s in text for s in secret for text in texts)
                assert not any(s in json.dumps(audit) for s in secret)
    one, other = taken.values()
    assert one == other
    assert not any(s in caplog.text for s in secret)


def test_how_long_an_answer_takes_does_not_tell(tmp_path):
    """Answers go out at the end of a step: a reading through a lasting short and one where nothing is wrong take the
    same, although solving them does not."""
    with running(tmp_path, steps=True, drawn=False) as service:
        spent = {}
        for case, points in ((CASE, ("B5.1", "G1.-")), ("no-power-on-monday", ("G1.+", "G1.-"))):
            bench = casekit.open_case(case, at=service.at, token=service.token("T01"))
            times = []
            for n in range(8):
                began = time.perf_counter()
                bench.key(("off", "on")[n % 2 == 0])
                turned = time.perf_counter()
                bench.volts(*points)
                times.append((turned - began, time.perf_counter() - turned))
            spent[case] = np.median(times, axis=0)
        step = service_app.QUICK_S
        one, other = spent.values()
        assert all(step <= reading < 2 * step and turn >= service_app.LONGER_S for turn, reading in (one, other))
        assert np.abs(one - other).max() < 0.2 * step


def test_an_error_inside_says_nothing(service, monkeypatch, caplog):
    def broken(*args):
        raise RuntimeError("short to ground at W14")

    token = service.token("T01")
    monkeypatch.setattr(service.service.desk, "cases", broken)
    found = service.ask("GET", "api/cases", token)
    assert found.status_code == 500
    assert found.json() == {"error": service_app.BROKEN}
    assert "W14" not in caplog.text


# Who may not ----------------------------------------------------------------------------------------------------------


def refused(service, status, sentence, *asked, logged=True, **more):
    before = len(service.store.audit()[0])
    found = service.ask(*asked, **more)
    assert (found.status_code, found.json()) == (status, {"error": sentence})
    new = service.store.audit()[0][before:]
    assert bool(new) == logged
    return new


def test_anothers_bench_does_not_exist(service):
    id = opened(service, "T10")._bench
    body = {"request": request(), "do": "key", "args": ["on"]}
    sentence = "there is no such bench of yours; open the case first."
    for guess in (id, id[:-1] + ("A" if id[-1] != "A" else "B"), "1", "x" * 43):
        new = refused(service, 404, sentence, "POST", f"api/benches/{guess}/calls", service.token("T11"), json=body)
        assert new[-1][1:] == ("T11", f"refused (404): /api/benches/{guess}/calls")
    assert service.store.calls(id) == []


@pytest.mark.parametrize("token", ["", "x" * 43, "short", "a b", "'; DROP TABLE tokens; --", "ä" * 30])
def test_forged_tokens(service, token):
    headers = {"Authorization": f"token {token}".encode()} if token else {}
    found = requests.get(f"{service.at}/api/me", headers=headers, timeout=10)
    assert found.status_code == 401
    assert found.json()["error"].startswith("no token came" if not token else "this token is not, or no longer, good")


def test_guesses_without_a_token_are_few(tmp_path):
    with running(tmp_path, rate=(0.1, 4.0)) as service:
        found = [service.ask("GET", "api/me", "x" * 43).status_code for _ in range(7)]
        assert found == [401] * 4 + [429] * 3
        assert service.ask("GET", "api/me", service.token("T01")).status_code == 200
        assert len(service.store.audit()[0]) == 4


def test_a_token_expires(service):
    old = service.token("T01", hours=-0.001)
    refused(service, 401, "this token is not, or no longer, good here; get a new one from your instructor.",
            "GET", "api/me", old)  # fmt: skip
    assert service.ask("GET", "api/me", service.token("T01")).json() == {"user": "T01", "instructor": False}


@pytest.mark.parametrize(
    ("how", "path"),
    [("GET", "api/class"), ("GET", "api/class/logs/x"), ("POST", "api/class/releases"), ("POST", "api/class/papers"),
     ("GET", "api/class/papers/x/marks"), ("GET", "api/class/audit")],
)  # fmt: skip
def test_a_trainee_does_nothing_that_is_an_instructors(service, how, path):
    refused(service, 403, "only an instructor may do this.", how, path, service.token("T12"), json={"case": CASE})


@pytest.mark.parametrize(
    ("body", "status", "sentence"),
    [
        (b"{", 400, "the request is not JSON; send an object."),
        (b"[1]", 400, "the request is JSON, but no object; send one."),
        (b'{"request": NaN}', 400, "the request is not JSON; send an object."),
        (b"[" * 60000, 400, "the request is not JSON; send an object."),
        (b'{"do": "' + b"x" * 70000 + b'"}', 413, "the request is larger than 64 KiB; ask for less at once."),
        ({"do": "key"}, 400, "the request has no number of its own; send request, 32 hexadecimal digits."),
        ({"request": "z" * 32, "do": "key"}, 400,
         "the request has no number of its own; send request, 32 hexadecimal digits."),
        ({"request": "0" * 32, "do": "_pass", "args": [1]}, 400, "'_pass' is not a call of a bench."),
        ({"request": "0" * 32, "do": "__class__"}, 400, "'__class__' is not a call of a bench."),
        ({"request": "0" * 32, "do": ["key"]}, 400, "\"['key']\" is not a call of a bench."),
        ({"request": "0" * 32, "do": "key", "args": "on"}, 400,
         "args is a list and settings an object; send them like this."),
        ({"request": "0" * 32, "do": "key", "args": ["x" * 500]}, 400,
         "an argument is too long, or none that a bench takes."),
        ({"request": "0" * 32, "do": "key", "args": [[[[[["on"]]]]]]}, 400,
         "the arguments are lists in lists in lists; no call takes that."),
        ({"request": "0" * 32, "do": "key", "args": [{"a": 1}]}, 400,
         "an argument is too long, or none that a bench takes."),
        ({"request": "0" * 32, "do": "key", "settings": {"__init__": 1}}, 400,
         "the settings have a name that is none."),
        ({"request": "0" * 32, "do": "key", "seen": -1}, 400, "seen is '-1'; send how many events you have."),
        ({"request": "0" * 32, "do": "key", "truth": 1}, 400,
         "'truth' is not known here; send do, args, settings, seen and request."),
        ({"request": "0" * 32, "do": "key", "args": ["on"], "settings": {"truth": 1}}, 400,
         "key cannot be asked like this: got an unexpected keyword argument 'truth'."),
        (b'{"request": "' + b"0" * 32 + b'", "do": "key", "args": [1e400]}', 400,
         "the request is not JSON; send an object."),
        (b'{"request": "' + b"0" * 32 + b'", "do": "tick", "args": ["\\ud800"]}', 400,
         "the request is not JSON; send an object."),
        ({"request": "0" * 32, "do": "minmax", "args": ["B5.1", "G1.-", 10**300]}, 400,
         "an argument is too long, or none that a bench takes."),
        ({"request": "0" * 32, "do": "shift", "args": ["CP1", {"push": {"point": "x", "evil": 1}}]}, 400,
         "an argument is too long, or none that a bench takes."),
    ],
)  # fmt: skip
def test_bodies_that_are_none(service, body, status, sentence):
    bench = opened(service, "T13")
    more = {"data": body} if isinstance(body, bytes) else {"json": body}
    found = service.ask("POST", f"api/benches/{bench._bench}/calls", service.token("T13"), **more)
    assert (found.status_code, found.json()) == (status, {"error": sentence})
    assert service.store.calls(bench._bench) == []


@pytest.mark.parametrize(
    "path", ["api/machines/..%2f..%2fcases%2f" + CASE, "api/machines/%2e%2e", "api/machines/x%00", "api/../health/x",
             "api/cases/" + CASE, "etc/passwd", "api/benches"]
)  # fmt: skip
def test_paths_lead_nowhere(service, path):
    found = service.ask("GET", path, service.token("T14"))
    assert found.status_code in (404, 405)
    assert found.json()["error"] in ("there is no such machine.", service_app.NOWHERE)
    assert service.store.audit()[0][-1][2].startswith(f"refused ({found.status_code}): ")


def test_names_of_cases_are_names(service):
    for case in ("../machines/tug-tractor", "x" * 500, 5, None, ["a"]):
        body = {"request": request(), "case": case}
        assert service.ask("POST", "api/benches", service.token("T14"), json=body).status_code == 400
    with pytest.raises(ScenarioError, match="there is no case 'no-such-case'"):
        casekit.open_case("no-such-case", at=service.at, token=service.token("T14"))


def test_too_many_calls_at_once(tmp_path):
    with running(tmp_path, rate=(0.5, 5.0)) as service:
        token, other = service.token("T15"), service.token("T16")
        found = [service.ask("GET", "api/me", token) for _ in range(7)]
        assert [f.status_code for f in found] == [200] * 5 + [429] * 2
        assert found[-1].json() == {"error": "too many calls at once; wait a moment and do it again."}
        assert service.ask("GET", "api/me", other).status_code == 200
        assert ("T15", "refused (429): /api/me") in [line[1:] for line in service.store.audit()[0]]
        time.sleep(2.2)
        assert service.ask("GET", "api/me", token).status_code == 200
    assert service_app.RATE == (5.0, 25.0)  # of a class; the other tests ask faster than people do


# What is kept ---------------------------------------------------------------------------------------------------------


def test_the_same_request_counts_once(service):
    token, id = service.token("T16"), opened(service, "T16")._bench
    body = {"request": request(), "do": "key", "args": ["on"]}
    one, other = (service.ask("POST", f"api/benches/{id}/calls", token, json=body).json() for _ in range(2))
    assert one == other
    assert len(service.store.calls(id)) == 1
    found = service.ask("POST", f"api/benches/{id}/calls", token, json=body | {"args": ["off"]})
    used = {"error": "this number of a request was used for something else; send a new one."}
    assert (found.status_code, found.json()) == (409, used)
    begun = {"request": request(), "case": CASE, "anew": True}
    ids = {service.ask("POST", "api/benches", token, json=begun).json()["bench"] for _ in range(2)}
    assert len(ids) == 1
    found = service.ask("POST", "api/benches", token, json=begun | {"case": "oil-and-boost-low"})
    assert (found.status_code, found.json()) == (409, used)


def test_what_could_not_be_kept_has_not_happened(service, monkeypatch):
    """Also for who was waiting for the same bench meanwhile: they go on with what was kept."""
    bench, token = opened(service, "T17"), service.token("T17")
    url, body = f"api/benches/{bench._bench}/calls", {"do": "key", "args": ["on"]}
    keep = service.store.keep_call
    entered, go = threading.Event(), threading.Event()

    def failing(*args):
        entered.set()
        go.wait(10)
        raise OSError("no room")

    monkeypatch.setattr(service.store, "keep_call", failing)
    answers = []
    first = threading.Thread(
        target=lambda: answers.append(service.ask("POST", url, token, json={"request": request(), **body}))
    )
    first.start()
    entered.wait(10)
    volts = {"request": request(), "do": "volts", "args": ["B5.1", "G1.-"]}
    second = threading.Thread(target=lambda: answers.append(service.ask("POST", url, token, json=volts)))
    second.start()
    time.sleep(0.3)
    monkeypatch.setattr(service.store, "keep_call", keep)
    go.set()
    first.join()
    second.join()
    assert sorted(a.status_code for a in answers) == [200, 503]
    assert [(line["do"], line["state"]) for line in service.store.calls(bench._bench)] == [("volts", "key off")]


def test_memory_holds_so_many_benches(service, monkeypatch):
    monkeypatch.setattr("casekit.service.desk.ALIVE", 3)
    desk = service.service.desk
    desk._alive.clear()
    benches = [opened(service, f"M{n}") for n in range(5)]
    assert len(desk._alive) == 3
    assert benches[0].key("on") == "key on"


def test_the_audit_log_is_only_added_to(tmp_path):
    store = Store(tmp_path)
    for n in range(4):
        store.note("T01", f"did {n}")
    for text in ("UPDATE audit SET what = 'nothing'", "DELETE FROM audit"):
        with pytest.raises(sa.exc.IntegrityError, match="the audit log is only added to"), store.engine.begin() as db:
            db.execute(sa.text(text))
    assert store.audit()[1] == []
    with store.engine.begin() as db:  # who may do anything can change it, and that shows
        db.execute(sa.text("DROP TRIGGER audit_no_update"))
        db.execute(sa.text("UPDATE audit SET user = 'T02' WHERE number = 2"))
    assert store.audit()[1] == ["line 2 of the audit log was changed, or one before it is gone"]
    store.close()


def test_files_are_for_their_owner_alone(tmp_path):
    folder = tmp_path / "kept"
    store = Store(folder)
    store.note("T01", "x")
    assert folder.stat().st_mode & 0o777 == 0o700
    assert {p.stat().st_mode & 0o077 for p in folder.iterdir()} == {0}
    store.close()


def test_a_database_is_made_by_several_at_once(tmp_path):
    """A service that starts while tokens are given out: nobody finds the database locked, or half made."""
    work = """
import sys, time
from pathlib import Path
from casekit.service.store import Store
folder, begin = Path(sys.argv[1]), float(sys.argv[2])
for k in range(25):
    time.sleep(max(0.0, begin + 0.1 * k - time.time()))
    store = Store(folder / str(k))
    store.note("I01", "was here")
    store.close()
"""
    begin = str(time.time() + 5)
    begun = [subprocess.Popen([sys.executable, "-c", work, tmp_path, begin], stderr=subprocess.PIPE) for _ in range(3)]
    for process in begun:
        assert process.communicate(timeout=60)[1].decode() == ""
    for k in range(25):
        store = Store(tmp_path / str(k))
        lines, troubles = store.audit()
        store.close()
        assert (len(lines), troubles) == (3, [])


def test_databases_that_cannot_be_used(tmp_path):
    with pytest.raises(ScenarioError, match="the database is 'mysql'; use a postgresql:// URL, or none for SQLite"):
        Store(tmp_path, "mysql://x")
    (tmp_path / "casekit.sqlite").write_text("no database, but text that is long enough to be told from one" * 20)
    with pytest.raises(ScenarioError, match=r"the service's own database: the database cannot be used \(file is not"):
        Store(tmp_path)
    (tmp_path / "file").write_text("")
    with pytest.raises(ScenarioError, match="choose another folder"):
        Store(tmp_path / "file" / "x")


POSTGRES = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))


@pytest.mark.skipif(not POSTGRES, reason="PostgreSQL is not installed (Debian: apt-get install postgresql)")
def test_postgresql_by_its_url(tmp_path_factory):
    """The same on a PostgreSQL server of its own, on loopback."""
    pytest.importorskip("psycopg")
    folder = tmp_path_factory.mktemp("pg")
    folder.chmod(0o777)
    for parent in list(folder.parents)[:-2]:
        parent.chmod(parent.stat().st_mode | 0o011)
    spare = free_socket()
    port = spare.getsockname()[1]
    spare.close()
    data, bin = folder / "data", POSTGRES[-1].parent
    quiet = {"check": True, "stdout": subprocess.DEVNULL, "cwd": "/"}
    if os.geteuid() == 0:  # which PostgreSQL refuses
        quiet["user"] = "postgres"
    subprocess.run([bin / "initdb", "-D", data, "-A", "trust", "-U", "kit"], **quiet)
    options = f"-p {port} -k '' -c listen_addresses=127.0.0.1 -c fsync=off"
    subprocess.run([bin / "pg_ctl", "-D", data, "-w", "-l", "/dev/null", "-o", options, "start"], **quiet)
    try:
        url = f"postgresql://kit@127.0.0.1:{port}/postgres"
        with running(folder / "service", url) as service:
            bench = opened(service)
            bench.key("on")
            assert bench.volts("B5.1", "G1.-").shown
            service.service.desk._alive.clear()
            assert opened(service).clock == bench.clock
            service.store.note("T01", "x")
            assert service.store.audit()[1] == []
            with pytest.raises(sa.exc.DBAPIError, match="only added to"), service.store.engine.begin() as db:
                db.execute(sa.text("DELETE FROM audit"))
    finally:
        subprocess.run([bin / "pg_ctl", "-D", data, "-m", "immediate", "stop"], **quiet)


# The client and the commands ------------------------------------------------------------------------------------------


def test_a_service_that_does_not_answer(monkeypatch):
    monkeypatch.setattr("casekit.teaching.classline.WAIT_S", 0.001)
    with pytest.raises(BenchError) as caught:
        casekit.open_case(CASE, at="http://127.0.0.1:9", token="x")
    assert str(caught.value) == (
        "the service at http://127.0.0.1:9 does not answer (ConnectionError); what was done before is kept: do this "
        "again."
    )
    for at, sentence in (("127.0.0.1", "write its whole address"), ("http://x", "no token for http://x")):
        monkeypatch.delenv("CASEKIT_TOKEN", raising=False)
        with pytest.raises(BenchError, match=sentence):
            casekit.open_case(CASE, at=at)
    monkeypatch.delenv("CASEKIT_SERVICE_URL", raising=False)
    with pytest.raises(BenchError, match="CASEKIT_SERVICE_URL is not set here"):
        casekit.open_case(CASE, at="class")
    with pytest.raises(BenchError, match="leave out seed and variant"):
        casekit.open_case(CASE, seed=3, at="http://x", token="x")
    with pytest.raises(BenchError, match="a number here is none that can be sent"):
        Line("http://127.0.0.1:9", "x").post("benches", {"case": float("nan")})
    with pytest.raises(BenchError, match="token and anew are for a case service"):
        casekit.open_case(CASE, token="x")


def test_parcels_are_only_what_a_bench_gives(service):
    for value in (None, True, 3, 0.5, float("inf"), "x", [1, (2.0, "y")], frozenset({"a"}), np.float64(2.0)):
        assert unpacked(json.loads(json.dumps(packed(value)))) == value
    assert np.isnan(unpacked(packed(float("nan"))))
    with pytest.raises(CasekitError, match="a bench does not give Meter"):
        packed(Meter())
    for nonsense in ({"record": "Meter", "of": {}}, {"x": 1}, {"number": "7"}, {"record": "Move", "of": {"x": 1}}):
        with pytest.raises(CasekitError, match="the service sent something that cannot be read"):
            unpacked(nonsense)


def test_tokens_by_command(tmp_path, capsys):
    assert main(["token", "T07", "--folder", str(tmp_path), "--hours", "2"]) == 0
    store = Store(tmp_path)
    user, instructor, until = store.holder(capsys.readouterr().out.strip())
    assert (user, instructor) == ("T07", False)
    assert until == pytest.approx(time.time() + 7200, abs=60)
    store.close()
    assert main(["token", "../x", "--folder", str(tmp_path)]) == 1
    assert capsys.readouterr().err == "'../x' is no sign; use letters, digits, - and _, such as T07.\n"
    assert main(["token", "T07", "--folder", str(tmp_path), "--hours", "0"]) == 1


def test_two_services_do_not_share_a_folder(tmp_path):
    from casekit.service.serve import alone, serve

    Store(tmp_path).close()
    with (
        alone(tmp_path),
        pytest.raises(ScenarioError, match="another service works in this folder; end that one first"),
    ):
        serve(tmp_path, 0)
    taken = free_socket()
    taken.listen()
    with pytest.raises(MissingError, match="nothing can listen at 127"):
        serve(tmp_path, taken.getsockname()[1])
    taken.close()

"""The service is killed (SIGKILL) during readings, calls and submissions: nothing that was acknowledged is lost, and
nothing is doubled, as the client asks again with the same number."""

import os
import random
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import pytest
import requests
from classservice import free_socket

import casekit
from casekit.service.store import Store
from casekit.teaching.awaysitting import AwaySitting
from casekit.teaching.classline import Line
from casekit.teaching.practice import open_case

KILLS = int(os.environ.get("CASEKIT_KILLS", "25"))  # 200 take about two minutes: CASEKIT_KILLS=200
CASE = "broom-frame-dead"
BLUEPRINT = {"paper": "x", "title": "x", "minutes": 60, "topics": {"harm nothing while testing": 8},
             "machines": ["tug-tractor"]}  # fmt: skip


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this system has no SIGKILL")
def test_killed_again_and_again(tmp_path, monkeypatch, finding):
    monkeypatch.setattr("casekit.teaching.classline.WAIT_S", 0.05)
    monkeypatch.setattr("casekit.teaching.classline.TRIES", 60)
    store = Store(tmp_path)
    tokens = {user: store.new_token(user, user == "boss", time.time() + 3600) for user in ("T01", "T02", "boss")}
    spare = free_socket()
    port = spare.getsockname()[1]
    spare.close()
    script = Path(__file__).with_name("classservice.py")
    nursery = subprocess.Popen([sys.executable, script, tmp_path, str(port)], stdout=subprocess.DEVNULL)
    try:
        at = f"http://127.0.0.1:{port}"
        _wait(at)
        paper = Line(at, tokens["boss"]).post("class/papers", {"blueprint": BLUEPRINT})["paper"]
        done, stop = {"reading": 0, "call": 0, "submission": 0}, threading.Event()
        acknowledged: dict[str, list] = {}
        troubles: list[BaseException] = []
        people = [threading.Thread(target=_safely, args=(troubles, stop, who, *more)) for who, *more in (
            (_trainee, at, tokens["T01"], acknowledged, done, stop),
            (_candidate, at, tokens["T02"], paper, acknowledged, done, stop),
        )]  # fmt: skip
        for person in people:
            person.start()
        rng, kills = random.Random(1), 0
        while kills < KILLS and not troubles:
            kind = rng.choice(list(done))
            before = done[kind]
            while done[kind] == before and not troubles:  # one of these was acknowledged since the last kill
                time.sleep(0.005)
            time.sleep(rng.uniform(0.0, 0.12))
            kills += _kill(tmp_path)
        stop.set()
        for person in people:
            person.join(60)
        assert not troubles, troubles
        assert kills == KILLS
    finally:
        nursery.terminate()
        nursery.wait(20)
    finding(f"killed {kills} times during {done['reading']} readings, {done['call']} calls and {done['submission']} "
            "submissions that were acknowledged: none lost, none doubled")  # fmt: skip
    assert min(done.values()) >= KILLS / 8
    for id, seen in acknowledged["benches"]:
        kept = [(line["do"], *line["args"], *line["shown"]) for line in store.calls(id)]
        assert kept == seen  # all that was acknowledged, each once, in its order
        again = open_case(CASE)
        for do, *rest in kept:
            came = getattr(again, do)(*rest[: {"key": 1, "volts": 2, "call": 2}[do]])
            assert do != "volts" or came.shown == rest[2]
    lines = store.sitting(paper, "T02")
    assert len(lines) - 2 == len(acknowledged["sitting"])  # after the head and the begin
    store.close()


def _safely(troubles, stop, who, *more):
    try:
        who(*more)
    except BaseException as err:
        troubles.append(err)
        stop.set()


def _trainee(at, token, acknowledged, done, stop):
    """Readings and calls, on a new bench every now and then."""
    acknowledged["benches"] = []
    while not stop.is_set():
        bench = casekit.open_case(CASE, at=at, token=token, anew=True)
        seen = []
        acknowledged["benches"].append((bench._bench, seen))
        bench.key("on")
        seen.append(("key", "on"))
        for n in range(12):
            if stop.is_set():
                break
            if n % 3 == 2:
                bench.call("open", "W11")
                seen.append(("call", "open", "W11"))
                done["call"] += 1
            else:
                shown = bench.volts("B5.1", "G1.-").shown
                seen.append(("volts", "B5.1", "G1.-", shown))
                done["reading"] += 1
            time.sleep(0.1)


def _candidate(at, token, paper, acknowledged, done, stop):
    """Submissions, each another answer than before."""
    sitting, acknowledged["sitting"] = AwaySitting(Line(at, token), paper), []
    n = 0
    while not stop.is_set():
        item, answer = n % 8 + 1, "ABC"[(n // 8) % 3]
        sitting.answer(item, answer)
        assert sitting.answers[item] == answer
        acknowledged["sitting"].append((item, answer))
        done["submission"] += 1
        n += 1
        time.sleep(0.1)


def _kill(folder) -> int:
    """Kill the child that serves now, if there is a new one."""
    with suppress(OSError, ValueError):
        note = folder / "child"
        child = int(note.read_text())
        note.unlink()
        subprocess.run(["kill", "-9", str(child)], check=True)
        return 1
    return 0


def _wait(at):
    for _ in range(600):
        with suppress(requests.RequestException):
            requests.get(f"{at}/health", timeout=1)
            return
        time.sleep(0.1)
    raise AssertionError("the service did not start")

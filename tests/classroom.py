"""A class of seven at work on one case, written to a folder as their logs would be. All invented."""

import shutil
from pathlib import Path

import casekit

CASE, EARTH = "oil-and-boost-low", "G1.-"


def at_work(folder: Path, sign: str, *, case: str = CASE, called: bool = True, route: str = "good"):
    """One trainee's work, as far as it goes."""
    bench = casekit.resume_case(case, folder=folder, trainee=sign)
    bench.key("on")
    if route == "good":
        for point in ("X13.1m", "B7.1"):
            bench.volts(point, EARTH, expect=(4.9, 5.1), sure=0.9)
        bench.volts("B9.1", EARTH, expect=5.0, sure=0.8)
        bench.volts("B10.1", EARTH, expect=(-0.05, 0.05), sure=0.9)
        bench.key("off")
        bench.look("CP3")
    if route == "lucky":
        bench.scan()
    if route == "swaps":
        bench.hint()
        bench.volts("X1.12", EARTH, expect=0.0, sure=0.95)
        bench.unplug("B9")
        bench.pierce("W42", at=0.3)
        bench.replace("B9")
    if called:
        bench.call(*(("sensor shorted", "B9") if route == "swaps" else ("open", "W42")))
    return bench


def a_class(folder: Path) -> Path:
    """Seven trainees, and files that should not be there."""
    for sign, route, called in (
        ("T01", "good", True), ("T02", "lucky", True), ("T03", "swaps", True), ("T04", "good", False),
        ("T07", "swaps", True),
    ):  # fmt: skip
        bench = at_work(folder, sign, route=route, called=called)
        if called:
            bench.debrief()
    name = f"{CASE}.jsonl"
    for sign in ("T05", "T06"):
        (folder / sign).mkdir()
    # T05 copied the log of T01, whose sign stands in it no more; T06 was cut off in the middle of a line.
    first, *lines = (folder / "T01" / name).read_text().splitlines(keepends=True)
    (folder / "T05" / name).write_text(first.replace("T01", "T05") + "".join(lines))
    (folder / "T06" / name).write_text(first.replace("T01", "T06") + "".join(lines[:4])[:-20])
    shutil.copy(folder / "T02" / name, folder / "T02" / "copy of mine.jsonl")
    (folder / "T03" / "notes.txt").write_text("call the shop")
    (folder / "T03" / "other.jsonl").write_text('{"heart rate": 71}\n')
    (folder / "T03" / "newer.jsonl").write_text('{"casekit log": 99, "case": "x", "seed": null, "casekit": "9.0"}\n')
    (folder / "T03" / "gone.jsonl").write_text('{"casekit log": 1, "case": "no-such-case", "seed": null}\n')
    (folder / "T03" / "bytes.jsonl").write_bytes(b"\xff\x00\xfe")
    return folder

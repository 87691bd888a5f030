"""Worksheets: what is on the paper, what is not, and that it can be read."""

import builtins
import io
import re
import sys
from itertools import pairwise
from pathlib import Path

import pytest

import casekit
from casekit import command
from casekit.error import MissingError
from casekit.files import library
from casekit.files.casefile import Fault, When
from casekit.files.codes import TITLES
from casekit.teaching import paper
from casekit.teaching import worksheet as module
from casekit.teaching.answers import truth_of
from casekit.teaching.caution import CAUTIONS
from casekit.teaching.drawing import full_sheet
from casekit.teaching.sheet import MARGIN
from casekit.teaching.worksheet import LEAST, LINES, PAPERS, PT, html, worksheet

CASE = "broom-frame-dead"
CASES = library.names("cases")


@pytest.fixture(scope="module", autouse=True)
def _printable():
    """Printed pages need WeasyPrint and Pango; where they are missing there is nothing to test."""
    try:
        paper._printer()
    except MissingError as err:
        pytest.skip(str(err))


def read(pdf: bytes):
    """The pages of a PDF."""
    from pypdf import PdfReader

    return PdfReader(io.BytesIO(pdf)).pages


def plain(text: str) -> str:
    """Text without its line breaks."""
    return re.sub(r"\s+", " ", text)


def words(pdf: bytes) -> str:
    return plain(" ".join(page.extract_text() for page in read(pdf)))


def giveaways(name: str) -> list[str]:
    """What only the instructor may read: the explanation, the lessons, and each fault with its place."""
    case = library.case_file(name)
    said = [case.explanation, *case.teaches, *re.split(r"(?<=\.) ", case.explanation), *map(truth_of, case.faults)]
    return [plain(text) for text in [*said, *(f"{f.kind} at {f.place}" for f in case.faults)]]


@pytest.fixture(scope="module")
def handout():
    return worksheet(CASE)


@pytest.fixture(scope="module")
def copy():
    return worksheet(CASE, instructor=True, paper="letter", seed=3)


def test_the_handout_has_complaint_story_codes_and_cautions(handout):
    case, text = library.case_file(CASE), words(handout.pdf)
    for expected in (case.title, "Compact street sweeper", case.complaint, case.story, *CAUTIONS):
        assert plain(expected) in text
    for code in case.codes:
        assert f"{code} {TITLES[code]}" in text
    assert (
        "Invented machine and data, for teaching. The same machine to measure on: casekit page broom-frame-dead" in text
    )


@pytest.mark.parametrize("name", CASES)
def test_no_handout_says_what_is_wrong(name):
    made = worksheet(name)
    text = words(made.pdf)
    assert made.pages == 5
    assert library.case_file(name).title in text
    for giveaway in giveaways(name):
        assert giveaway not in text


def test_pages_are_numbered_and_turned_as_needed(handout):
    pages = read(handout.pdf)
    assert len(pages) == handout.pages == 5
    for n, page in enumerate(pages, 1):
        assert f"page {n} of 5" in plain(page.extract_text())
    wide = [page.mediabox.width > page.mediabox.height for page in pages]
    assert wide == [False, True, True, True, False]


def test_the_table_has_room_to_write(handout):
    """Every line is numbered and 10 mm high or more; the head comes again on the second page."""
    pages = [plain(page.extract_text()) for page in read(handout.pdf)[2:4]]
    for head in ("No.", "Minute", "State", "Red lead", "Black lead", "I expect", "How sure", "Shown", "rules out"):
        assert all(head in text for text in pages)
    heights = []
    for page in read(handout.pdf)[2:4]:
        placed = {}
        page.extract_text(visitor_text=lambda text, cm, tm, *_, at=placed: at.setdefault(text.strip(), cm[3] * tm[5]))
        numbers = [placed[str(n)] for n in range(1, LINES + 1) if str(n) in placed]
        heights += [abs(b - a) for a, b in pairwise(numbers)]
    assert len(heights) == LINES - 2
    assert min(heights) > 0.75 * 10 * PT  # in the page's own units, CSS pixels of 0.75 pt, or points


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("name", ["broom-frame-dead", "boom-stops-halfway", "lame-on-the-ramp"])
def test_the_drawing_is_whole_and_legible(name, paper):
    """One machine each: all text of the drawing is on its page, and none smaller than 5.5 pt."""
    made = worksheet(name, paper=paper)
    page, scales = read(made.pdf)[1], set()

    def seen(text, cm, tm, font, size):
        if size < 7.5 and cm[0] != 1:  # the foot of the page is set in 8 pt
            scales.add((size, cm[0], cm[4], cm[5]))

    page.extract_text(visitor_text=seen)
    width, height = float(page.mediabox.width), float(page.mediabox.height)
    assert (width, height) == pytest.approx((PAPERS[paper].height_mm * PT, PAPERS[paper].width_mm * PT), abs=0.5)
    machine = library.machine_file(library.case_file(name).machine)
    sheet = full_sheet(machine)
    assert len(scales) == 1
    for size, scale, x, y in scales:
        assert min(label.size for label in sheet.labels) == size
        assert size * scale == pytest.approx(made.drawing_pt, abs=0.01)
        assert size * scale >= LEAST
        assert x + MARGIN * scale >= 0
        assert x + (sheet.width - MARGIN) * scale <= width
        assert y - MARGIN * scale <= height
        assert y - (sheet.height - MARGIN) * scale >= 0
    drawn = plain(page.extract_text())
    for part in (*machine.sensors, *machine.connectors, *machine.splices, *machine.grounds):
        assert part in drawn


def test_the_instructors_copy_has_the_answers(copy):
    text = words(copy.pdf)
    for expected in giveaways(CASE):
        assert expected in text
    assert "What is wrong: short to ground at W14, 0.6 Ω, at CP1." in text
    assert re.search(
        r"10\.3 minutes, the mean of one good route over the 32 likeliest faults.*exact: none with these tests", text
    )
    assert re.search(r"0\.0 codes on the sheet P0642, P2122, P2138 \d\.\d\d 0\.0 \d+ left; likeliest: ", text)
    assert "Sure enough to call. Left: short to ground at W14 (99 %); " in text
    assert "Look-alikes, which no test on offer tells apart: short to ground at B1.1 = short to ground at W13." in text
    assert "These looked likely for a while on this route, and are wrong." in text
    assert re.search(r"W\d+\w? \d+ %, minute \d+\.\d .*it would have shown about", text)
    assert "black lead on G1.-" in text
    assert re.search(r"B12\.1 0\.1\d\d V", text)
    assert "casekit page broom-frame-dead --seed 3" in text


def test_every_page_of_the_instructors_copy_says_so(copy, handout):
    pages = read(copy.pdf)
    assert len(pages) == copy.pages > 5
    assert all("Instructor's copy: not for trainees." in plain(page.extract_text()) for page in pages)
    assert "nstructor" not in words(handout.pdf)


def test_the_readings_given_out_are_those_of_this_machine(copy):
    bench = casekit.open_case(CASE, seed=3)
    bench.key("on")
    text = words(copy.pdf)
    for point in bench.probe_points()[:5]:
        assert f"{point} {bench.volts(point, 'G1.-').shown}" in text


def test_faults_in_a_line():
    assert truth_of(Fault(kind="open", place="W60b", contact="CP3",
                          when=When(point="CP3", rest_mm=0.5, torque_mm=0.66, shake_mm=0.17))) == (
        "open at W60b, at CP3; it comes and goes with engine torque and vibration"
    )  # fmt: skip
    assert truth_of(Fault(kind="sensor drifted", place="B2", drift=-0.1)) == (
        "sensor drifted at B2, drift -10% of its supply"
    )
    assert truth_of(Fault(kind="drawn on the wrong splice", place="W12", to="SP5")) == (
        "drawn on the wrong splice at W12 to SP5"
    )


def test_what_is_written_in_a_case_stays_text():
    """Signs that mean something in HTML or CSS are printed as they are."""
    case = library.case_file(CASE).model_copy(update={"title": '5 V < 6 V & "so" \\ on', "complaint": "<b>&</b>"})
    text = html(case, library.machine_file(case.machine), PAPERS["a4"])
    assert "<h1>5 V &lt; 6 V &amp; &quot;so&quot; \\ on</h1>" in text
    assert "<td>&lt;b&gt;&amp;&lt;/b&gt;</td>" in text
    made = paper.printed(text).write_pdf()
    assert '5 V < 6 V & "so" \\ on. Invented machine and data, for teaching.' in words(made)


def test_the_cautions_are_those_of_the_readme():
    readme = plain((Path(casekit.__file__).parent.parent / "README.md").read_text(encoding="utf-8").replace("\n>", ""))
    for caution in CAUTIONS:
        assert caution in readme or caution[0].lower() + caution[1:] in readme


def test_the_command_writes_the_file(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert command.main(["worksheet", CASE, "--paper", "letter"]) == 0
    assert capsys.readouterr().out == "broom-frame-dead-worksheet.pdf written, 5 pages\n"
    assert (tmp_path / "broom-frame-dead-worksheet.pdf").read_bytes().startswith(b"%PDF")
    assert command.main(["worksheet", CASE, "mine.pdf"]) == 0
    assert (tmp_path / "mine.pdf").exists()


def test_the_instructors_copy_has_a_name_of_its_own(tmp_path, monkeypatch, capsys, copy):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(module, "worksheet", lambda *given: copy)
    assert command.main(["worksheet", CASE, "--instructor"]) == 0
    assert capsys.readouterr().out == f"broom-frame-dead-instructor.pdf written, {copy.pages} pages\n"


def test_a_drawing_too_large_for_the_paper_is_said(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(module, "worksheet", lambda *given: module.Worksheet(b"", 5, 4.93))
    assert command.main(["worksheet", CASE, str(tmp_path / "a.pdf")]) == 0
    assert capsys.readouterr().out.splitlines()[1] == (
        "The drawing is large: its text is 4.9 pt high; print it on larger paper."
    )


def test_errors_in_one_sentence(tmp_path, monkeypatch, capsys):
    assert command.main(["worksheet", "broom-frame-daed"]) == 1
    assert capsys.readouterr().err == (
        f"there is no case 'broom-frame-daed'; there is: {', '.join(CASES)}. Did you mean broom-frame-dead?\n"
    )
    assert command.main(["worksheet", CASE, "--seed", "-1"]) == 1
    assert capsys.readouterr().err == "the seed is -1; use a whole number from 0, or leave it out.\n"
    monkeypatch.setattr(module, "worksheet", lambda *given: module.Worksheet(b"", 5, 6.0))
    path = tmp_path / "no" / "such" / "place.pdf"
    assert command.main(["worksheet", CASE, str(path)]) == 1
    assert capsys.readouterr().err == f"{path}: no such file or directory; choose another place for the worksheet.\n"
    assert command.main(["worksheet", CASE, "--instructor", str(path)]) == 1
    assert capsys.readouterr().err.endswith("choose another place for the instructor's copy.\n")


@pytest.mark.parametrize(
    ("trouble", "sentence"),
    [
        (
            ImportError("No module named 'weasyprint'"),
            "printed pages need the Python package weasyprint, which is not installed; install it with: "
            ".venv/bin/pip install -c .ci/constraints.txt -e '.[paper]'.",
        ),
        (
            OSError("cannot load library 'libpango-1.0-0'"),
            "printed pages need the Pango text libraries, which WeasyPrint does not find; install them "
            "(Debian: apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0).",
        ),
    ],
)
def test_what_is_missing_is_said(monkeypatch, capsys, trouble, sentence):
    load = builtins.__import__

    def fails(name, *args, **more):
        if name == "weasyprint":
            raise trouble
        return load(name, *args, **more)

    monkeypatch.delitem(sys.modules, "weasyprint", raising=False)
    monkeypatch.setattr(builtins, "__import__", fails)
    assert command.main(["worksheet", CASE]) == 1
    assert capsys.readouterr().err == sentence + "\n"

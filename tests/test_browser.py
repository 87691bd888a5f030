"""Cases played in JupyterLab in a real browser: by mouse, by keyboard alone; what a screen reader is told; reopening.

Axe-core (an open accessibility checker) looks at our own output; what it cannot see is looked for by role and name.
"""

import re
import shutil

import pytest
from browser import CHROMIUM, LESSONS, kept, lab, loaded, notebook, opened, page

pytest.importorskip("playwright", reason="the browser tests need playwright")
pytestmark = [
    pytest.mark.reference,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed (Debian: apt-get install chromium)"),
]

BOARD = ".ck-board"


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab")
    with lab(folder) as address:
        yield address, folder


@pytest.fixture
def address(server):
    return server[0]


@pytest.fixture
def name(server, request):
    """A notebook of this test's own, in which one case is played, and kept in a folder of its own."""
    stem = re.sub(r"\W+", "-", request.node.name)
    cell = f'''import casekit
bench = casekit.resume_case("broom-frame-dead", folder="{stem}")
casekit.panel(bench, predict=False)'''
    return notebook(server[1] / f"{stem}.ipynb", cell).name


def point(shown, name):
    return shown.locator(f'{BOARD} [data-kind="point"][data-name="{name}"]')


def middle(part):
    part.scroll_into_view_if_needed()
    box = part.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def plug(shown, name):
    """Click between the first two cavities of a plug."""
    part = shown.locator(f'{BOARD} [data-kind="plug"][data-name="{name}"] rect').first
    x, _ = middle(part)
    size = shown.locator(f"{BOARD} svg").bounding_box()["width"] / 956  # pixels a point of the sweeper's drawing
    shown.mouse.click(x, part.bounding_box()["y"] + 13 * size)


def press(shown, name):
    shown.get_by_role("button", name=name, exact=True).click()


def told(shown, text):
    """Wait for a sentence in one of the live regions."""
    shown.locator("[role=status]").filter(has_text=re.compile(text)).first.wait_for()


def log(shown):
    return shown.get_by_role("region", name="Log")


def test_a_case_is_played_to_the_debrief_by_mouse(server):
    """A lesson is opened, all is run, and the panel in it is used with the mouse alone."""
    address, folder = server
    shutil.copy(LESSONS / "06_shorts_to_ground.ipynb", folder)
    with page() as shown:
        opened(shown, address, "06_shorts_to_ground.ipynb")
        shown.locator(BOARD).first.scroll_into_view_if_needed()
        shown.get_by_role("combobox", name="Move", exact=True).select_option(label="key on (0.1 min)")
        press(shown, "Do it")
        told(shown, "key on")
        point(shown, "B5.1").click()
        told(shown, "red lead on B5.1")
        assert shown.locator(f"{BOARD} [data-lead=R]").count() == 1
        press(shown, "Read")
        told(shown, "Not possible: write what you expect as a number or a range, such as 4.98 or 4.9 to 5.1")
        shown.get_by_role("textbox", name="I expect").fill("4.9 to 5.1")
        shown.get_by_role("combobox", name="How sure").select_option(label="90 %")
        press(shown, "Read")
        told(shown, r"0\.[12]\d\d V")
        x, y = middle(shown.locator(f'{BOARD} [data-kind="spot"][data-name="CP1"] circle').first)
        shown.mouse.click(x, y + 2)  # on the triangle, below the wire
        told(shown, "look CP1.*press Do it")
        press(shown, "Do it")
        told(shown, "rubbed through")
        assert shown.locator(f"{BOARD} .ck-note", has_text="looked at").count() >= 1
        plug(shown, "X11")
        told(shown, "unplug X11.*press Do it")
        press(shown, "Do it")
        shown.locator(f"{BOARD} .ck-note", has_text="X11 unplugged").wait_for()
        assert shown.locator(f"{BOARD} .ck-note", has_text="X11 unplugged").count() == 1
        kept(shown, "board-in-the-lesson")
        shown.get_by_role("combobox", name="Fault", exact=True).select_option(label="short to ground")
        shown.get_by_role("combobox", name="Place", exact=True).select_option(label="W14")
        press(shown, "Keep as suspect")
        told(shown, "is on your list")
        assert shown.get_by_role("checkbox", name="short to ground at W14").is_checked()
        press(shown, "Make the call")
        told(shown, "called: short to ground at W14")
        press(shown, "Debrief")
        shown.get_by_text("they support the call").first.wait_for()
        assert shown.get_by_text("Your predictions").count() == 1
        kept(shown, "debrief-in-the-lesson")


def test_a_case_is_played_to_the_debrief_by_keyboard_alone(address, name):
    """Tab, arrows, Enter, Space and typing: nothing is clicked."""
    with page() as shown:
        loaded(shown, address, name)
        shown.keyboard.press("Control+Shift+c")
        shown.get_by_role("textbox", name="SEARCH").or_(shown.locator(".lm-CommandPalette-input")).first.wait_for()
        shown.keyboard.type("run all cells")
        shown.wait_for_timeout(500)
        shown.keyboard.press("Enter")
        shown.locator(f"{BOARD} svg").first.wait_for()

        def tab(to):
            for _ in range(150):
                shown.keyboard.press("Tab")
                if shown.evaluate("(want) => want(document.activeElement)".replace("want(", f"({to})(")):
                    return
            raise AssertionError(f"the keyboard does not come to {to}")

        def menu(name):
            tab(f"(e) => e.tagName === 'SELECT' && [...e.labels].some((l) => l.textContent.trim() === '{name}')")

        def button(name):
            tab(f"(e) => e.tagName === 'BUTTON' && e.textContent.trim() === '{name}'")
            shown.keyboard.press("Enter")

        menu("Move")
        shown.keyboard.press("ArrowDown")  # "key on" is the first
        button("Do it")
        told(shown, "key on")
        for _ in range(60):
            shown.keyboard.press("Shift+Tab")
            if shown.evaluate("() => document.activeElement.dataset.kind === 'point'"):
                break
        shown.keyboard.press("ArrowDown")
        here = shown.evaluate("() => document.activeElement.dataset.name")
        shown.keyboard.press("Enter")
        told(shown, rf"V, {re.escape(here)} against G1\.-")
        held = shown.evaluate("() => document.activeElement.getAttribute('aria-label')")
        assert held.startswith(here)
        assert held.endswith("red lead here")
        menu("Place")
        shown.keyboard.type("W14", delay=150)  # as fast as a hand
        button("Make the call")
        told(shown, "called: short to ground at W14")
        button("Debrief")
        shown.get_by_text("What was wrong").first.wait_for()
        kept(shown, "debrief-by-keyboard")


def test_what_can_be_picked_has_a_role_a_name_and_a_state(address, name):
    with page() as shown:
        opened(shown, address, name)
        shown.locator(f"{BOARD} svg").first.wait_for()
        for group in ("Wires", "Connectors and sensors", "Contact points", "Probe points", "Size of the drawing"):
            assert shown.get_by_role("group", name=group, exact=True).count() == 1, group
        kinds = ", ".join(f"{BOARD} {k}" for k in ("[role=button]", "button", "select", "input"))
        nameless = shown.locator(kinds).evaluate_all(
            "(all) => all.filter((e) => !(e.ariaLabel || e.textContent.trim() || e.labels?.length)).length"
        )
        assert nameless == 0
        assert shown.get_by_role("button", name=re.compile(r"^B9\.1, W\d+ ")).get_attribute("aria-pressed") == "false"
        point(shown, "B9.1").click()
        told(shown, r"0\.000 V")
        here = shown.get_by_role("button", name=re.compile(r"^B9\.1, .*red lead here$"))
        assert here.get_attribute("aria-pressed") == "true"
        shown.locator(f"{BOARD} select").select_option("black")
        point(shown, "X1.6").click()
        told(shown, r"B9\.1 against X1\.6")
        assert point(shown, "B9.1m").is_hidden()
        plug(shown, "B9")
        told(shown, "unplug B9.*press Do it")
        press(shown, "Do it")
        shown.locator(f"{BOARD} .ck-note", has_text="B9 unplugged").wait_for()
        assert point(shown, "B9.1m").is_visible()
        assert shown.get_by_role("button", name=re.compile("^B9 .*, unplugged$")).count() == 1


def test_parts_are_found_and_traced_and_the_drawing_grows(address, name):
    with page() as shown:
        opened(shown, address, name)
        find = shown.get_by_role("combobox", name="Find")
        find.wait_for()
        find.fill("W45")
        find.press("Enter")
        told(shown, r"W45 is connected to .*W47a.*; splices: SP10.*; points: X2\.6")
        traced = shown.locator(f"{BOARD} .ck-tied").count()
        assert traced > 3
        press(shown, "Clear trace")
        told(shown, "nothing is traced")
        assert shown.locator(f"{BOARD} .ck-tied").count() == 0
        x, y = middle(shown.locator(f'{BOARD} [data-kind="wire"][data-name="W11"] polyline'))
        shown.mouse.click(x, y)  # between the halves of B5
        told(shown, r"W11 is connected to .*W10")
        find.fill("b10")
        find.press("Enter")
        told(shown, "found: B10 boost pressure, plugged")
        assert shown.evaluate("() => document.activeElement.dataset.name") == "B10"
        find.fill("Q7")
        find.press("Enter")
        told(shown, "there is no Q7 that can be reached on this drawing")
        press(shown, "Fit")
        before = shown.locator(f"{BOARD} svg").bounding_box()["width"]
        press(shown, "larger")
        press(shown, "larger")
        told(shown, "drawing at 150 %")
        assert shown.locator(f"{BOARD} svg").bounding_box()["width"] == pytest.approx(1.5 * before, rel=0.02)


def test_nonsense_from_the_browser_is_answered_in_a_sentence(address, name):
    with page() as shown:
        opened(shown, address, name)
        shown.locator(f"{BOARD} svg").first.wait_for()
        point(shown, "B9.1m").dispatch_event("click")
        told(shown, "Not possible: no lead can reach 'B9.1m' now; choose a point that is marked on the drawing")
        point(shown, "B9.2").click()
        told(shown, r"B9\.2 against G1\.-")


def test_a_dead_kernel_is_told_and_nothing_is_lost(address, name):
    """The kernel is killed, started again, and the cells are run: the log is there as before."""
    with page() as shown:
        opened(shown, address, name)
        shown.locator(f"{BOARD} svg").first.wait_for()
        for place in ("B5.1", "B9.1", "B12.1"):
            point(shown, place).click()
            told(shown, rf"{re.escape(place)} against G1\.-")
        log(shown).locator("tbody tr").nth(2).wait_for()  # it is drawn after the sentence was said
        lines = log(shown).locator("tbody tr").count()
        assert lines == 3
        shown.get_by_role("menuitem", name="Kernel", exact=True).click()
        shown.get_by_role("menuitem", name="Restart Kernel…").click()
        shown.get_by_role("button", name="Confirm Kernel Restart").click()
        shown.locator("[data-status=restarting], [data-status=starting], [data-status=busy]").first.wait_for(
            state="attached"
        )
        shown.locator("[data-status=idle]").first.wait_for(state="attached")
        point(shown, "B9.2").click()
        told(shown, "No answer so far: the kernel is busy or gone")
        opened(shown, address, name)
        log(shown).locator("tbody tr").nth(2).wait_for()
        assert log(shown).locator("tbody tr").count() == lines


def test_a_page_reload_keeps_the_panel(address, name):
    with page() as shown:
        opened(shown, address, name)
        point(shown, "B9.1").click()
        told(shown, r"B9\.1 against G1\.-")
        log(shown).locator("tbody tr").first.wait_for()  # it is drawn after the sentence was said
        lines = log(shown).locator("tbody tr").count()
        shown.keyboard.press("Control+s")
        shown.wait_for_timeout(1000)
        shown.goto(f"{address}/lab/tree/{name}")
        shown.locator(f"{BOARD} svg").first.wait_for()
        log(shown).locator("tbody tr").first.wait_for()
        assert log(shown).locator("tbody tr").count() == lines
        point(shown, "B9.3").click()
        told(shown, r"B9\.3 against G1\.-")


def theme(shown, name):
    """Choose JupyterLab's theme by its command palette; it is the server's for all tests."""
    shown.keyboard.press("Control+Shift+c")
    shown.locator(".lm-CommandPalette-input").first.wait_for()
    shown.keyboard.type(f"Use Theme: JupyterLab {name}")
    shown.locator(".lm-CommandPalette-item", has_text=re.compile(rf"JupyterLab {name}$")).first.wait_for()
    shown.keyboard.press("Enter")
    shown.locator(f"body[data-jp-theme-light={'false' if name == 'Dark' else 'true'}]").wait_for(state="attached")


def serious(shown):
    """What axe-core finds serious in our output."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    found = axe.run(shown, context=".jp-OutputArea-output").response["violations"]
    bad = [v for v in found if v["impact"] in ("serious", "critical")]
    return [f"{v['id']}: {v['help']}: {v['nodes'][0]['html'][:200]}" for v in bad]


@pytest.mark.parametrize("dark", [False, True])
def test_axe_finds_nothing_serious_in_our_output(address, name, dark):
    """Rules of WCAG 2.1 A and AA as the open checker axe-core has them, on our output alone; contrast included."""
    with page() as shown:
        opened(shown, address, name)
        shown.locator(f"{BOARD} svg").first.wait_for()
        if dark:
            theme(shown, "Dark")
        shown.get_by_role("combobox", name="Move", exact=True).select_option(label="key on (0.1 min)")
        press(shown, "Do it")
        told(shown, "key on")
        press(shown, "Scan data")
        told(shown, "scan data is shown below")
        kept(shown, f"panel-{'dark' if dark else 'light'}")
        found = serious(shown)
        if dark:
            theme(shown, "Light")
        assert not found, "\n".join(found)


def test_at_200_percent_everything_is_still_there(address, name):
    """A window of half the size in the same letters: nothing stands beyond its right edge."""
    with page(width=700, height=500, device_scale_factor=2) as shown:
        opened(shown, address, name)
        shown.locator(f"{BOARD} svg").first.wait_for()
        shown.locator(f"{BOARD} .ck-tools").first.scroll_into_view_if_needed()
        kept(shown, "panel-at-200-percent")
        heads = shown.locator(".jp-OutputArea-output tr").evaluate_all(
            "(rows) => rows.map((r) => [...r.children].map((c) => c.getBoundingClientRect())).map("
            "(b) => b.every((x, k) => !k || x.left >= b[k - 1].right - 1)).every(Boolean)"
        )
        assert heads
        out = shown.locator(".jp-OutputArea-output").first
        wide, room = out.evaluate("(e) => [e.scrollWidth, e.clientWidth]")
        assert wide <= room + 2
        for button in ("Read", "Do it", "Make the call"):
            assert shown.get_by_role("button", name=button, exact=True).is_visible()


def test_a_paper_is_sat_by_mouse(server):
    """A choice, a point picked on the drawing, and the marks; axe looks at all of it."""
    address, folder = server
    cells = (
        """import casekit
from casekit.files.blueprint import Blueprint
topics = {"opens: where the volts go": 4, "read a trace": 1}
asked = Blueprint(paper="x", title="A short one", minutes=9, topics=topics, machines=["tug-tractor"])
paper = casekit.exam_paper(asked, 2)
panel = casekit.sit(paper, "sat.jsonl")""",
        "panel",
    )
    name = notebook(folder / "sat.ipynb", *cells).name
    with page() as shown:
        opened(shown, address, name)
        item = shown.get_by_role("combobox", name="Item", exact=True)
        item.wait_for()
        labels = item.locator("option").all_inner_texts()
        for n in range(1, len(labels) + 1):
            item.select_option(index=n - 1)
            shown.get_by_text(f"{n}.", exact=True).first.wait_for()
            if shown.get_by_text("Pick the first point").is_visible():
                break
        point(shown, "B1.1").click()
        told(shown, "B1.1 is picked; press Answer")
        press(shown, "Answer")
        told(shown, f"item {n} is answered; .*, [89] minutes left")
        item.select_option(index=len(labels) - 1)  # the trace: kinds come in the order of their names
        shown.get_by_role("img", name=re.compile("between .* with .* changes")).wait_for()
        shown.get_by_role("radio").first.check()
        press(shown, "Answer")
        told(shown, "5 answered")
        kept(shown, "sitting")
        assert (folder / "sat.jsonl").read_text().count('"do": "answer"') >= 1
        press(shown, "Hand in")
        told(shown, "press Hand in once more")
        press(shown, "Hand in")
        shown.get_by_text(re.compile(r"of 5 right; ability")).wait_for()
        shown.get_by_role("combobox", name="Explain").select_option(index=n - 1)
        shown.get_by_text("is the nearest point behind it").wait_for()
        kept(shown, "sitting-marks")
        assert serious(shown) == []

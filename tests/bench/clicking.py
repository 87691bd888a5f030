"""From a click on the drawing to the new reading on the screen, in JupyterLab in a real browser.

    python tests/bench/clicking.py [clicks, 45]

Prints the machine, then the median and the worst of all clicks in milliseconds, and how much of that is our own Python
(the same clicks on a panel without a browser).
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from pathlib import Path

from timing import machine_line, timed

sys.path.insert(0, str(Path(__file__).parents[1]))

from browser import lab, notebook, opened, page

import casekit

CASE = "broom-frame-dead"
CELL = f"""import casekit
bench = casekit.open_case("{CASE}")
bench.key("on")
casekit.panel(bench, predict=False)"""
WAIT = """async (name) => {
  const node = document.querySelector(`[data-kind="point"][data-name="${name}"]`);
  const said = `${name} against`;
  const shown = () => [...document.querySelectorAll("[role=status]")].some((e) => e.textContent.includes(said));
  const begin = performance.now();
  node.dispatchEvent(new MouseEvent("click", { bubbles: true }));
  while (!shown()) await new Promise(requestAnimationFrame);
  return performance.now() - begin;
}"""


def main() -> None:
    clicks = int(sys.argv[1]) if len(sys.argv) > 1 else 45
    bench = casekit.open_case(CASE)
    bench.key("on")
    panel = casekit.panel(bench, predict=False)
    points = [p.harness[k] for k in (0, 1) for p in bench.drawing.plugs if p.kind == "sensor"]
    names = [points[k % len(points)] for k in range(clicks)]
    own = [timed(lambda n=name: panel.board._picked("point", n, "red"))[0] * 1e3 for name in names]
    with tempfile.TemporaryDirectory() as folder:
        notebook(Path(folder) / "click.ipynb", CELL)
        with lab(Path(folder)) as address, page() as shown:
            opened(shown, address, "click.ipynb")
            shown.locator(".ck-board svg").first.wait_for()
            took = [shown.evaluate(WAIT, name) for name in names]
    with tempfile.TemporaryDirectory() as folder:
        kept = casekit.resume_case(CASE, folder=folder)
        ticked = [timed(lambda k=k: kept.tick("open", "W42", note=str(k)))[0] * 1e3 for k in range(clicks)]
    print(machine_line())
    print(f"click to reading shown, {clicks} clicks: median {statistics.median(took):.0f} ms (wanted: under 100), "
          f"worst {max(took):.0f} ms")  # fmt: skip
    print(f"a call written down and on the disk: median {statistics.median(ticked):.2f} ms")
    print(f"of it our Python: median {statistics.median(own):.1f} ms (wanted: under 20), worst {max(own):.1f} ms")


if __name__ == "__main__":
    main()

"""The report of a class as a notebook: the pages of the report, a cell each, made anew whenever it is run.

In: the folder of the logs. Out: a notebook as text.
"""

from __future__ import annotations

from pathlib import Path

import nbformat
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

TEXT = """# Class report

Made of the logs in a folder, which stay as they are. Run all cells for the state of now."""
PAGES = """from IPython.display import HTML, display

for sign in report.signs:
    display(HTML(report.trainee(sign)))"""


def classnotebook(folder: Path | str, anonymous: bool = False) -> str:
    """The notebook. It shows nothing until it is run."""
    call = f"casekit.class_report({str(Path(folder).absolute())!r}{', anonymous=True' if anonymous else ''})"
    cells = [
        new_markdown_cell(TEXT),
        new_code_cell(f"import casekit\n\nreport = {call}\nreport"),
        new_markdown_cell("## Marks"),
        new_code_cell("report.marks"),
        new_markdown_cell("## One page for every trainee"),
        new_code_cell(PAGES),
    ]
    for k, cell in enumerate(cells):
        cell["id"] = f"cell-{k}"
    book = new_notebook(cells=cells)
    book.metadata["kernelspec"] = {"display_name": "Python 3", "language": "python", "name": "python3"}
    return nbformat.writes(book) + "\n"

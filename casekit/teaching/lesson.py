"""The trainee's version of a lesson, generated from the instructor's.

In: a notebook as nbformat's JSON. Out: the same notebook without answers and without notes for the instructor.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

from casekit.error import ScenarioError

NOTES = "> **For the instructor.**"
SOLUTION = "# answer"
_ANSWER = re.compile(r"^(\s*\w+ = ).+?  # answer(?:: (.+))?$", re.MULTILINE)


def trainee(book: dict) -> dict:
    """The trainee's version: a line `name = value  # answer: remark` becomes `name = ...  # remark`.

    Cells that begin with `> **For the instructor.**` or `# answer` are left out, and links to the folder above lose
    their `../`, as the trainee's version stands there; everything else stays as it is.
    """
    cells = [cell for cell in book["cells"] if not "".join(cell["source"]).startswith((NOTES, SOLUTION))]
    return {**book, "cells": [{**cell, "source": _blank(cell)} for cell in cells]}


def _blank(cell: dict) -> list[str]:
    text = "".join(cell["source"])
    text = text.replace("](../", "](")
    if cell["cell_type"] == "code":
        text = _ANSWER.sub(lambda m: f"{m[1]}..." + (f"  # {m[2]}" if m[2] else ""), text)
    return text.splitlines(keepends=True)


def written(book: dict) -> str:
    """A notebook as the text of its file."""
    return json.dumps(book, indent=1, ensure_ascii=False) + "\n"


def generate(folder: Path) -> list[Path]:
    """Write the trainee's version of every lesson in `folder`/instructor into `folder`; returns the files written.

    Raises ScenarioError when there are no such lessons, or one is no notebook.
    """
    sources = sorted((folder / "instructor").glob("*.ipynb"))
    if not sources:
        raise ScenarioError(
            [f"{folder / 'instructor'}: there are no lessons here; name the lessons folder of a clone."]
        )
    paths = []
    for source in sources:
        try:
            book = json.loads(source.read_text(encoding="utf-8"))
            text = written(trainee(book))
        except (ValueError, KeyError, TypeError):
            raise ScenarioError([f"{source}: is not a notebook; save it from JupyterLab again."]) from None
        paths.append(folder / source.name)
        paths[-1].write_text(text, encoding="utf-8")
    return paths

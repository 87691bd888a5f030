"""Sealing a case for a class: its file, with its variants, becomes one that shows the sheet and hides the answer.

In: the name of a case and a passphrase. Out: a sealed file.
"""

from __future__ import annotations

from pathlib import Path

from casekit.error import ScenarioError, refused
from casekit.files import library
from casekit.files.sealed import SUFFIX, seal


def sealed_case(name: str, passphrase: str, folder: Path | str = ".") -> Path:
    """Seal a case into a folder; where the file is. Whoever plays it puts it among the cases of their scenarios folder,
    in the place of the case file and the file of its variants.

    Raises ScenarioError when there is no such case, for a passphrase that is too short, and when nothing can be
    written there.
    """
    case = library.case_file(name)
    entries = [e.model_dump(exclude_none=True, mode="json") for e in library.variants(name).values()]
    text = seal(case.model_dump(exclude_none=True, mode="json"), entries, passphrase)
    path = Path(folder) / f"{name}{SUFFIX}"
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as err:
        raise ScenarioError([refused(path, err, "choose another folder")]) from None
    return path

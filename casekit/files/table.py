"""A table of text from a CSV or Excel file, its columns under the names the kit uses, its rows with their numbers.

In: a path, and which of its columns mean what. Out: a `Table`, or a `ScenarioError` with file and row.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from casekit.error import ScenarioError, hint, refused
from casekit.files.source import MAX_BYTES

MOST_ROWS = 2000
SEPARATORS = (",", ";", "\t")
EXCEL = (".xlsx", ".xlsm")


@dataclass(frozen=True)
class Row:
    """One row: its number in the file (the head is row 1) and its cells by the kit's names, without outer blanks."""

    number: int
    cells: Mapping[str, str]

    def __getitem__(self, name: str) -> str:
        return self.cells.get(name, "")


@dataclass(frozen=True)
class Table:
    """All rows that are not empty, and which of the wanted columns there are."""

    path: Path
    rows: tuple[Row, ...]
    columns: frozenset[str]

    def say(self, row: Row, sentence: str) -> str:
        """The sentence with its address before it: ``path:row: sentence``."""
        return f"{self.path}:{row.number}: {sentence}"


def read_table(
    path: Path | str,
    needed: Sequence[str],
    known: Sequence[str],
    columns: Mapping[str, str] | None = None,
    sheet: str | int = 0,
) -> Table:
    """Read a table. `columns` says which of the file's columns is meant by one of ours, where the names differ.

    Capitals, blanks and underscores do not count. Raises ScenarioError for a file that is no table, a needed column
    that is missing, and a column that is named twice.
    """
    path = Path(path)
    frame = _frame(path, sheet)
    mine = {str(k).strip().lower(): str(v) for k, v in (columns or {}).items()}
    for ours in mine:
        if ours not in known:
            raise ScenarioError([f"{path}: {ours!r} is no column of the kit.{hint(ours, known)}"])
    there = [str(c) for c in frame.columns]
    place: dict[str, int] = {}
    for ours in known:
        wanted = mine.get(ours, ours)
        hits = [k for k, c in enumerate(there) if _bare(c) == _bare(wanted)]
        if len(hits) > 1:
            raise ScenarioError([f"{path}:1: the column {wanted} is there {len(hits)} times; keep one of them."])
        if hits:
            place[ours] = hits[0]
        elif ours in mine or ours in needed:
            shown = ", ".join(there[:20]) or "none"
            free = [c for c in there if _bare(c) not in known]
            raise ScenarioError([
                f"{path}:1: there is no column {wanted} (for {ours}); there are: {shown}.{hint(wanted, free)} "
                f'Say which one is meant: --column "{ours}=THEIRS" (in Python: columns={{"{ours}": "THEIRS"}}).'
            ])  # fmt: skip
    rows = []
    for k, values in enumerate(frame.itertuples(index=False, name=None)):
        cells = {ours: str(values[j]).strip() for ours, j in place.items()}
        if any(cells.values()):
            rows.append(Row(k + 2, cells))
    if not rows:
        raise ScenarioError([f"{path}: the table has no rows under its head; fill it in."])
    return Table(path, tuple(rows), frozenset(place))


def floats(table: Table, row: Row, name: str, problems: list[str], least: float | None = None) -> float | None:
    """A number of a row; None where the cell is empty, or is none, which is then among the problems."""
    text = row[name].replace(",", ".")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e9 or (least is not None and value <= least):
        more = f" above {least:g}" if least is not None else ""
        problems.append(table.say(row, f"{name} is {row[name]!r}; write a number{more}."))
        return None
    return value


# Inside ---------------------------------------------------------------------------------------------------------------


def _bare(name: str) -> str:
    return re.sub(r"[\s_]+", " ", name).strip().lower()


def _frame(path: Path, sheet: str | int) -> pd.DataFrame:
    """The file as text."""
    try:
        size = path.stat().st_size
        raw = b"" if size > MAX_BYTES else path.read_bytes()
    except OSError as err:
        raise ScenarioError([refused(path, err, "check the name and the folder", "cannot be read")]) from None
    if size > MAX_BYTES:
        raise ScenarioError([f"{path}: the file is over {MAX_BYTES:,} bytes; a wire list is a short table."])
    frame = _excel(path, sheet) if path.suffix.lower() in EXCEL else _csv(path, raw)
    if len(frame) > MOST_ROWS:
        raise ScenarioError([f"{path}: the table has {len(frame)} rows; at most {MOST_ROWS} are read."])
    return frame.fillna("")


def _csv(path: Path, raw: bytes) -> pd.DataFrame:
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ScenarioError([f"{path}: the file is not UTF-8 text; save it as CSV UTF-8, or as .xlsx."]) from None
    head = text.partition("\n")[0]
    separator = max(SEPARATORS, key=head.count)
    try:
        lines = list(csv.reader(text.splitlines(), delimiter=separator, strict=True))
    except csv.Error as err:
        raise ScenarioError([f"{path}: cannot be read as CSV ({err}); open it in a spreadsheet and save it."]) from None
    if not lines:
        raise ScenarioError([f"{path}: the file is empty; begin with a row of column names."])
    for k, cells in enumerate(lines[1:], 2):
        if len(cells) > len(lines[0]) and any(c.strip() for c in cells[len(lines[0]) :]):
            raise ScenarioError([
                f"{path}:{k}: the row has {len(cells)} cells and the head {len(lines[0])}; put text with a "
                f"{'comma' if separator == ',' else 'separator'} in quotation marks."
            ])  # fmt: skip
    width = len(lines[0])
    return pd.DataFrame([(*cells[:width], *[""] * (width - len(cells))) for cells in lines[1:]], columns=lines[0])


def _excel(path: Path, sheet: str | int) -> pd.DataFrame:
    try:
        return pd.read_excel(path, sheet_name=sheet, dtype=str, engine="openpyxl", keep_default_na=False)
    except ValueError as err:  # no such sheet
        raise ScenarioError([f"{path}: {str(err).rstrip('.')}; name a sheet that is there."]) from None
    except Exception:  # what a damaged archive raises is of many kinds
        raise ScenarioError([f"{path}: cannot be read as a workbook; save it as .xlsx once more, or as CSV."]) from None

"""Paper: HTML of our own, set as PDF.

In: pages as HTML. Out: a document of WeasyPrint, which writes the PDF and knows how many pages it has.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

from casekit.error import BenchError, MissingError, refused
from casekit.teaching.drawing import FACES


@dataclass(frozen=True)
class Paper:
    """A size of paper, upright, millimetre."""

    name: str
    width_mm: float
    height_mm: float


PAPERS = {"a4": Paper("A4", 210.0, 297.0), "letter": Paper("Letter", 215.9, 279.4)}


CSS = (
    "@page{{size:{paper} portrait;margin:15mm;font:7.8pt {faces};@bottom-left{{content:'{foot}'}}"
    "@bottom-right{{content:'page ' counter(page) ' of ' counter(pages)}}}}"
    "body{{font:9.5pt/1.3 {faces};margin:0}}section{{break-before:page}}section:first-of-type{{break-before:auto}}"
    "h1{{font-size:16pt;margin:0 0 2mm}}h2{{font-size:11.5pt;margin:4mm 0 1mm;break-after:avoid}}"
    "table{{border-collapse:collapse;width:100%;font-size:8.5pt}}th{{text-align:left;vertical-align:top}}"
    "th,td{{padding:.5mm 2mm .5mm 0;border-bottom:.4pt solid #888;vertical-align:top}}"
    "thead{{display:table-header-group}}tr{{break-inside:avoid}}img{{max-width:100%;max-height:105mm;break-inside:avoid}}"
    "ul{{margin:0;padding-left:5mm}}p{{margin:0 0 1.5mm}}"
)


def sheet(title: str, body: str, paper: str, foot: str) -> str:
    """A whole page of HTML, to be printed upright on one of `PAPERS`."""
    style = CSS.format(paper=PAPERS[paper].name, faces=FACES, foot=foot)
    return (
        f'<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f"<style>{style}</style></head><body>{body}</body></html>"
    )


def saved(path: Path | str, content: bytes) -> None:
    """Write a file. Raises BenchError when nothing can be written there."""
    try:
        Path(path).write_bytes(content)
    except OSError as err:
        raise BenchError(refused(path, err, "choose another place")) from None


def printed(html: str) -> Any:
    """The pages set. Raises MissingError when WeasyPrint or what it needs is not installed."""
    return _printer()(string=html).render()


def _printer():
    """WeasyPrint's way in; it is asked for only here, as not everybody prints."""
    try:
        from weasyprint import HTML
    except ImportError as err:
        raise MissingError(
            "printed pages need the Python package weasyprint, which is not installed; "
            "install it with: .venv/bin/pip install -c .ci/constraints.txt -e '.[paper]'."
        ) from err
    except OSError as err:
        raise MissingError(
            "printed pages need the Pango text libraries, which WeasyPrint does not find; install them "
            "(Debian: apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0)."
        ) from err
    return HTML

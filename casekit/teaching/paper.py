"""Paper: HTML of our own, set as PDF.

In: pages as HTML. Out: a document of WeasyPrint, which writes the PDF and knows how many pages it has.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from casekit.error import MissingError


@dataclass(frozen=True)
class Paper:
    """A size of paper, upright, millimetre."""

    name: str
    width_mm: float
    height_mm: float


PAPERS = {"a4": Paper("A4", 210.0, 297.0), "letter": Paper("Letter", 215.9, 279.4)}


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
            "install it with: pip install weasyprint."
        ) from err
    except OSError as err:
        raise MissingError(
            "printed pages need the Pango text libraries, which WeasyPrint does not find; install them "
            "(Debian: apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0)."
        ) from err
    return HTML

"""Lists and tables as HTML, for pages that are printed and cells that show themselves.

In: text. Out: HTML in which every sign stays text.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape


def bullets(items: Iterable[str]) -> str:
    """A list of sentences."""
    return f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table under a row of headings."""
    top = "".join(f"<th scope='col'>{escape(text)}</th>" for text in head)
    body = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"

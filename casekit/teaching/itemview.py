"""How an exam item looks: as it is asked, with its picture, and as it is explained, with its drawing.

In: an `Item`. Out: HTML, words, or the PNG of its picture.
"""

from __future__ import annotations

import base64
from html import escape

import numpy as np

from casekit.bench.trace import Trace
from casekit.files import library
from casekit.machine.state import State
from casekit.teaching.item import LETTERS, Item, Recorded
from casekit.teaching.marked import marked
from casekit.teaching.screen import drawn

LEVELS = {1: "easy", 2: "middle", 3: "hard"}


def answer_of(item: Item) -> str:
    """The right answer in words."""
    match item.form:
        case "choice":
            return f"{LETTERS[item.right]}: {item.options[item.right].text}"
        case "order":
            return "".join(LETTERS[k] for k in item.order)
        case "number":
            return f"{item.value:.3g} {item.unit}, within {item.within:g} {item.unit}"
    return " or ".join(item.points)


def stem(item: Item) -> str:
    """What is asked, with its table and picture, as HTML."""
    parts = [f"<p>{escape(item.ask)}</p>"]
    if item.rows:
        rows = "".join(f"<tr><td>{escape(a)}</td><td>{escape(b)}</td></tr>" for a, b in item.rows)
        parts.append(f"<table>{rows}</table>")
    if item.recorded:
        parts.append(f"<p>{picture(item.recorded)}</p>")
    return "".join(parts)


def asked(item: Item, ideas: bool = False) -> str:
    """An item as it is asked, as HTML; with `ideas` the right option is underlined and the others have theirs."""
    parts = [stem(item)]
    for k, option in enumerate(item.options):
        said = f"<b>{LETTERS[k]}</b> {escape(option.text)}"
        if ideas and item.form == "choice":
            said = f"<u>{said}</u>" if k == item.right else f"{said} <i>({escape(option.idea)})</i>"
        parts.append(f"<p class='option'>{said}</p>")
    return "".join(parts)


def in_words(item: Item) -> str:
    """An item as it is asked, as text; a picture is told by its levels."""
    lines = [item.ask, *(f"   {a}: {b}" for a, b in item.rows)]
    lines += [f"   {words(item.recorded)}"] if item.recorded else []
    return "\n".join([*lines, *(f"   {LETTERS[k]}  {o.text}" for k, o in enumerate(item.options))])


def explained(item: Item) -> str:
    """Why the answer is what it is, as HTML: in words, and on the drawing of the machine."""
    why = f"<p><b>{escape(answer_of(item))}</b>. {escape(item.because)}</p>"
    if not item.rings:
        return why
    return why + marked(library.machine_file(item.machine), dict(item.rings))


def picture(seen: Recorded) -> str:
    """The picture of an item as an HTML image."""
    data = base64.b64encode(png(seen)).decode()
    alt = escape(words(seen), quote=True)
    return f'<img alt="{alt}" style="max-width:46em;width:100%" src="data:image/png;base64,{data}">'


def png(seen: Recorded) -> bytes:
    """The picture of an item, as the oscilloscope of the bench shows it."""
    low, high = np.array([seen.low]), np.array([seen.high])
    t_s = np.linspace(0, 10 * seen.s_per_div, low.shape[1], endpoint=False)
    return drawn(Trace("oscilloscope", t_s, low, high, (seen.label,), ("V",), seen.s_per_div, (seen.v_per_div,),
                       (seen.middle_v,), str(State("on")), 0.0), scale_v=True)  # fmt: skip


def words(seen: Recorded) -> str:
    """A picture in words, for those who cannot see it: how long it stays where."""
    middle = (min(seen.low) + max(seen.high)) / 2
    up = np.array(seen.low) > middle
    times = int(np.count_nonzero(up[1:] != up[:-1]))
    return (
        f"{seen.label}: between {min(seen.low):.2f} V and {max(seen.high):.2f} V, high for {up.mean():.0%} of "
        f"{10 * seen.s_per_div:g} s, with {times} changes"
    )

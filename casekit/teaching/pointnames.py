"""Names of points as an exam item is answered with them: one that is not on the drawing is a slip, not an answer."""

from __future__ import annotations

from functools import lru_cache

from casekit.error import CasekitError, hint
from casekit.files import library
from casekit.machine.drawn import drawn
from casekit.teaching.item import Item


def on_drawing(item: Item, answer: object) -> None:
    """See that the answer to a "point" item names a point of its drawing. Raises CasekitError when it does not; of
    items of other forms it says nothing, as they know their answers themselves."""
    if item.form != "point":
        return
    names = _names(item.machine)
    word = str(answer).strip()
    if word.upper() in {name.upper() for name in names}:
        return
    halves = [name for name in names if name[:-1].upper() == word.upper() and name[-1] in "fm"]
    near = f" Did you mean {' or '.join(halves)}?" if halves else hint(word, names)
    raise CasekitError(
        f"the answer is {answer!r}, and no point of that name is on the drawing of {item.machine}; write a name as it "
        f"stands there, such as {names[0]}, or pick the point on the drawing.{near}"
    )


@lru_cache(maxsize=8)
def _names(machine: str) -> tuple[str, ...]:
    """All points of a drawing, the battery's first, which no item asks for."""
    plant = drawn(library.machine_file(machine))
    return tuple(dict.fromkeys([plant.plus, plant.earth, *sorted(plant.copper())]))

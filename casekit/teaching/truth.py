"""The truth of a case file in words.

In: a fault as a case file says it. Out: a line for whoever may see it.
"""

from __future__ import annotations

from casekit.bench.reading import called
from casekit.files.casefile import Fault
from casekit.reasoning.words import number


def truth_of(fault: Fault) -> str:
    """A fault of a case file in a line: kind, place, size, and when it comes."""
    words = called(fault.kind, fault.place, fault.to)
    sizes = ((fault.r_ohm, "Ω"), (fault.limit_a, "A"))
    words += "".join(f", {number(size, unit)}" for size, unit in sizes if size is not None)
    words += f", drift {fault.drift:+.0%} of its supply" if fault.drift is not None else ""
    words += f", from {fault.span[0]:.0%} to {fault.span[1]:.0%} of its travel" if fault.span is not None else ""
    words += f", at {fault.contact}" if fault.contact else ""
    if not fault.when:
        return words
    w = fault.when
    causes = [("engine torque", w.torque_mm), ("heat", w.heat_mm), ("vibration", w.shake_mm), *w.held.items()]
    return f"{words}; it comes and goes with {' and '.join(name for name, push in causes if push > 0)}"

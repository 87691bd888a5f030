"""What was written down in the bay, line by line, typed into `Entries`.

In: a line such as `volts B4.1 G1.- 4.98`. Out: the entry it makes, or a sentence that says how to write it.
"""

from __future__ import annotations

import re

from casekit.error import BenchError, hint
from casekit.teaching.entries import Entries

LEADS = ("volts", "millivolts", "ohms", "loaded")
WORDS = (*LEADS, "key", "engine", "unplug", "plug", "operate", "release", "warm", "scan", "codes", "notice", "look")
UNITS = {"v": "", "ohm": "", "ohms": "", "Ω": "", "mv": "e-3", "kohm": "e3", "kΩ": "e3", "mohm": "e6", "MΩ": "e6"}


def typed(entries: Entries, line: str) -> None:
    """Enter one line. Raises BenchError for what it cannot read, and for what the drawing does not allow."""
    word, *rest = line.split()
    if word not in WORDS:
        raise BenchError(f"{word!r} is no word of the bay; begin with one of {', '.join(WORDS)}.{hint(word, WORDS)}")
    match word, rest:
        case (("volts" | "millivolts" | "ohms" | "loaded"), [red, black, *shown]) if shown:
            getattr(entries, word)(red, black, _shown(shown))
        case "scan", [*channel, value] if channel:
            entries.scan({" ".join(channel): value})
        case "codes", [*codes] if codes:
            entries.codes([c.strip(",") for c in codes if c != "none"])
        case "engine", [("runs" | "stops") as what]:
            entries.engine(what == "runs")
        case "warm", []:
            entries.warm()
        case (("operate" | "release"), [*name]) if name:
            getattr(entries, word)(" ".join(name))
        case "notice", [*what] if what:
            entries.notice(" ".join(what))
        case "look", [place, *damaged] if len(damaged) < 2:
            entries.looked(place, *damaged)
        case (("key" | "unplug" | "plug"), [name]):
            getattr(entries, word)(name)
        case _:
            raise BenchError(f"{line!r} is not complete; write {HOW[word]}.")


def _shown(words: list[str]) -> str:
    """The display: a number, with or without its unit."""
    text = "".join(words)
    number, unit = re.fullmatch(r"([-+\u22120-9.eE]*)(.*)", text).groups()
    if (number and unit in ("", *UNITS)) or unit.lower() in UNITS:
        return number + UNITS.get(unit, UNITS.get(unit.lower(), ""))
    return text


HOW = {
    "volts": "volts, red lead, black lead, display: volts B4.1 G1.- 4.98",
    "millivolts": "millivolts, red lead, black lead, display: millivolts X1.3 X11.1f 0.012",
    "ohms": "ohms, red lead, black lead, display: ohms B4.1 B4.3 2150",
    "loaded": "loaded, red lead, black lead, display: loaded X11.1f G1.- 3.2",
    "key": "key off, key on, key crank or key run",
    "engine": "engine runs or engine stops",
    "unplug": "unplug and what: unplug B4",
    "plug": "plug and what: plug B4",
    "operate": "operate and what is held: operate load",
    "release": "release and what is let go: release load",
    "warm": "warm alone",
    "scan": "scan, channel, volts: scan B4 0.52",
    "codes": "codes and the codes, or codes none",
    "notice": "notice and what the driver notices",
    "look": "look and the place, and the wire that is damaged if one is: look CP3 W42",
}

"""Parcels: what a bench gives, as JSON can carry it, and back again. Nothing is run by unpacking.

In: readings, findings, moves, tables, pictures, lists. Out: plain data; and the same things made of it again.
"""

from __future__ import annotations

import math
from dataclasses import fields
from html import escape

import numpy as np
import pandas as pd

from casekit.bench.reading import Call, Finding, Move, Reading
from casekit.bench.trace import Trace
from casekit.error import CasekitError
from casekit.machine.intermittent import Push
from casekit.machine.state import State
from casekit.teaching.debrief import Debrief
from casekit.teaching.screen import Screen
from casekit.teaching.ticks import Tick

RECORDS = {c.__name__: c for c in (Reading, Finding, Move, Call, Tick, State, Push, Trace)}
NUMBERS = {"nan": math.nan, "inf": math.inf, "-inf": -math.inf}


class Told:
    """A debrief that was worked out elsewhere: its words, and itself in a notebook. `picture` is not sent."""

    picture = None

    def __init__(self, words: str, page: str):
        self.words, self.page = words, page

    def __repr__(self) -> str:
        return self.words

    def _repr_html_(self) -> str:
        return self.page


def packed(value: object) -> object:
    """A value as JSON can carry it. Raises CasekitError for what is none of those a bench gives."""
    if isinstance(value, np.generic):
        value = value.item()
    match value:
        case None | bool() | int() | str():
            return value
        case float():
            return value if math.isfinite(value) else {"number": str(value)}
        case list():
            return {"list": [packed(v) for v in value]}
        case tuple():
            return {"tuple": [packed(v) for v in value]}
        case frozenset() | set():
            return {"set": sorted((packed(v) for v in value), key=str)}
        case np.ndarray():
            return {"array": np.where(np.isfinite(value), value, None).tolist()}
        case pd.DataFrame():
            rows = [[packed(None if v is pd.NA else v) for v in row] for row in value.itertuples(index=False)]
            return {"table": rows, "columns": list(map(str, value.columns)), "kinds": [str(k) for k in value.dtypes]}
        case Screen():
            return {"screen": packed(value.trace)}
        case Debrief():
            return {"told": repr(value), "page": value._repr_html_()}
    if type(value).__name__ in RECORDS:
        return {"record": type(value).__name__, "of": {f.name: packed(getattr(value, f.name)) for f in fields(value)}}
    raise CasekitError(f"a bench does not give {type(value).__name__}; this cannot be sent.")


def unpacked(data: object) -> object:
    """The value that was packed. Raises CasekitError for what is no parcel."""
    try:
        return _unpacked(data)
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError) as err:
        raise CasekitError(f"the service sent something that cannot be read ({err}); is it of this version?") from None


def _unpacked(data: object) -> object:
    match data:
        case None | bool() | int() | float() | str():
            return data
        case {"number": text}:
            return NUMBERS[text]
        case {"list": some}:
            return [_unpacked(v) for v in some]
        case {"tuple": some}:
            return tuple(_unpacked(v) for v in some)
        case {"set": some}:
            return frozenset(_unpacked(v) for v in some)
        case {"array": rows}:
            return np.array(rows, dtype=float)
        case {"table": rows, "columns": columns, "kinds": kinds}:
            table = pd.DataFrame([[_unpacked(v) for v in row] for row in rows], columns=columns)
            return table.astype(dict(zip(columns, kinds, strict=True)))
        case {"screen": trace}:
            return Screen(_unpacked(trace))
        case {"told": words, "page": page}:
            return Told(str(words), str(page))
        case {"record": name, "of": found}:
            return RECORDS[name](**{k: _unpacked(v) for k, v in found.items()})
    raise ValueError(escape(str(data))[:80])

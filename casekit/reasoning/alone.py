"""One thread at a time: what was prepared for a drawing is kept, and shared by all who reason about an equal one.

In: a function that uses what is kept. Out: the same function, for one thread alone.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")
_ONE = threading.RLock()


def alone(function: Callable[P, R]) -> Callable[P, R]:
    """Let only one thread at a time into this function and all others marked so. They may call each other."""

    @wraps(function)
    def one(*args: P.args, **kwargs: P.kwargs) -> R:
        with _ONE:
            return function(*args, **kwargs)

    return one

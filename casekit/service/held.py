"""What a service holds in memory: each thing made once, used by one thread at a time, and dropped when it rests.

In: a key and how its thing is made. Out: the thing, for the one who holds it.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)
Thing = TypeVar("Thing")


class _Place(Generic[Thing]):
    """Where one thing is held."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.thing: Thing | None = None


class Held(Generic[Key, Thing]):
    """Things by key. `rests` says whether one may be dropped to make room; it is asked only while nobody has it."""

    def __init__(self, rests: Callable[[Thing], bool] = lambda thing: True):
        self._rests = rests
        self._places: OrderedDict[Key, _Place[Thing]] = OrderedDict()
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self._places)

    @contextmanager
    def held(self, key: Key, make: Callable[[], Thing], most: int) -> Iterator[Thing]:
        """The thing of a key for one thread alone; made if it is not there. Of those at rest only `most` stay."""
        while True:
            with self._lock:
                place = self._places.setdefault(key, _Place())
                self._places.move_to_end(key)
            with place.lock:
                with self._lock:
                    if self._places.get(key) is not place:
                        continue  # it was forgotten while it was waited for
                try:
                    place.thing = make() if place.thing is None else place.thing
                except BaseException:
                    self.forget(key)
                    raise
                self._make_room(most)
                yield place.thing
                return

    def peek(self, key: Key) -> Thing | None:
        """The thing of a key as it is, if it is there: only to look at what never changes."""
        with self._lock:
            place = self._places.get(key)
            return place.thing if place else None

    def forget(self, key: Key) -> None:
        """Make the thing of a key anew when it is asked for again."""
        with self._lock:
            self._places.pop(key, None)

    def clear(self) -> None:
        """Forget everything."""
        with self._lock:
            self._places.clear()

    def _make_room(self, most: int) -> None:
        with self._lock:
            idle = [key for key, p in self._places.items()
                    if not p.lock.locked() and p.thing is not None and self._rests(p.thing)]  # fmt: skip
            for key in idle[: max(0, len(self._places) - most)]:
                del self._places[key]

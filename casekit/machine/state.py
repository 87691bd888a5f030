"""The state a machine is in while it is measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Key = Literal["off", "on", "run"]


@dataclass(frozen=True)
class State:
    """Key position, what is unplugged, and which half of a turning target the Hall switches face.

    `phase` is 0 or 1 and matters only in `run`, where targets turn with an even mark-space ratio.
    """

    key: Key = "off"
    unplugged: frozenset[str] = frozenset()
    phase: int = 0

    def __str__(self) -> str:
        apart = ", ".join(sorted(self.unplugged))
        return f"key {self.key}" + (f", {apart} unplugged" if apart else "")

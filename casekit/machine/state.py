"""The state a machine is in while it is measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Key = Literal["off", "on", "crank", "run"]

LOAD = "load"  # the operation every machine has: the engine working against a load


@dataclass(frozen=True)
class State:
    """Key position, what is unplugged, what the operator holds, whether it is warm, what jumpers join, and what has
    been laid bare: opened splices, and points where a wire was pierced (`W14@0.5`).

    `phase` (0 to 1) matters only while wheels turn: a Hall switch faces a tooth when `phase` lies in the upper share
    that is tooth, so 0 is a gap for all of them and 1 a tooth.
    """

    key: Key = "off"
    unplugged: frozenset[str] = frozenset()
    phase: float = 0
    held: frozenset[str] = frozenset()
    hot: bool = False
    joined: frozenset[tuple[str, str]] = frozenset()
    bared: frozenset[str] = frozenset()

    @property
    def turning(self) -> bool:
        """Whether the engine turns."""
        return self.key in ("crank", "run")

    @property
    def torque(self) -> float:
        """Engine torque on its mounts as a share of the largest (invented, of the usual proportions)."""
        if self.key == "run":
            return 1.0 if LOAD in self.held else 0.25
        return 0.6 if self.key == "crank" else 0.0

    def __str__(self) -> str:
        words = [f"key {self.key}"]
        words += sorted(self.held)
        words += ["warm"] if self.hot else []
        words += [f"{a} joined to {b}" for a, b in sorted(self.joined)]
        words += [f"{', '.join(sorted(self.unplugged))} unplugged"] if self.unplugged else []
        return ", ".join(words)

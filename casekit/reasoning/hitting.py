"""Hitting sets: the smallest groups of parts that explain every conflict.

In: conflicts, each a set of parts of which at least one must be bad. Out: minimal sets that take one from each.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable


def minimal_hitting_sets(families: Iterable[Iterable[Hashable]], at_most: int | None = None) -> list[frozenset]:
    """Every set that meets all `families` and stops doing so when any element is left out.

    Branch and prune, smaller sets first (Reiter, "A theory of diagnosis from first principles", AI 32:57-95, 1987):
    a branch takes one element of the first set it does not meet yet, and ends when it holds a set already found.
    `at_most` is the greatest number of elements wanted. Sorted by size, then content. Without families the empty set
    is the answer; a family that is empty can never be met, and the list is empty.

    >>> [sorted(s) for s in minimal_hitting_sets([{1, 2}, {2, 3}])]
    [[2], [1, 3]]
    """
    sets = _least({frozenset(f) for f in families})
    elements = _sorted({e for s in sets for e in s})
    bit = {e: 1 << k for k, e in enumerate(elements)}
    # Short sets first: fewer branches near the root.
    masks = sorted((sum(bit[e] for e in s) for s in sets), key=lambda m: (m.bit_count(), m))
    found: list[int] = []
    level, size = {0}, 0
    while level and (at_most is None or size <= at_most):
        below: set[int] = set()
        for taken in level:
            if any(f & taken == f for f in found):
                continue
            missed = next((m for m in masks if not m & taken), None)
            if missed is None:
                found.append(taken)
            else:
                below.update(taken | 1 << k for k in range(missed.bit_length()) if missed >> k & 1)
        level, size = below, size + 1
    members = [[k for k in range(len(elements)) if f >> k & 1] for f in found]
    return [frozenset(elements[k] for k in m) for m in sorted(members, key=lambda m: (len(m), m))]


def _least(sets: set[frozenset]) -> list[frozenset]:
    """The sets that hold no other one: meeting these meets all."""
    return [s for s in sets if not any(other < s for other in sets)]


def _sorted(elements: set) -> list:
    try:
        return sorted(elements)
    except TypeError:  # mixed or unordered kinds
        return sorted(elements, key=str)

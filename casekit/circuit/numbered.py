"""A list of changes as arrays: what does not depend on what is unplugged, so that many states share it.

In: the numbers of changes in a `layout.Known`. Out: a `Numbered`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

if TYPE_CHECKING:
    from casekit.circuit.layout import Known


class Numbered:
    """The ports of some changes, the first of them none at all, and the caps that only some changes have ("own").

    `ports`: changes x most, their ports by place in `unique`; `kinds`: how many each change has; `left`, `right`:
    (unknowns, weights) of both sides, each ports x longest; `of`, `to`: the same as ports x unknowns.
    """

    def __init__(self, known: Known, numbers: np.ndarray):
        self.numbers, self.kinds = numbers, known.kinds[numbers]
        ports = known.ports[numbers, : max(1, self.kinds.max(initial=0))]
        used = np.zeros(len(known.values), dtype=bool)
        used[0] = used[ports] = True
        self.unique, self.ports = np.flatnonzero(used), (np.cumsum(used) - 1)[ports]
        self.left, self.right = ((known.sides[n][self.unique], known.sides[n + 1][self.unique]) for n in (0, 2))
        e, emf, plain = known.values[self.unique].T
        self.e, self.emf, self.plain = e, emf, plain > 0
        self.of, self.to = (
            sp.csr_matrix((w.ravel(), i.ravel(), np.arange(len(w) + 1) * w.shape[1]), (len(w), known.layout.size))
            for i, w in (self.left, self.right)
        )
        # How many ports, the changes that have so many, and their ports.
        sizes = np.unique(self.kinds[self.kinds > 0]).tolist()
        members = [np.flatnonzero(self.kinds == k) for k in sizes]
        self.sizes = [(k, items, self.ports[items, :k]) for k, items in zip(sizes, members, strict=True)]
        self._own(known)

    def _own(self, known: Known) -> None:
        """Rows of caps that only some changes have, after the layout's, and who has them: `own_item`, `own_valve`,
        their rows, filled up with the last, and how many there are (none for a dead valve)."""
        lay = known.layout
        number: dict[tuple, int] = {}
        entries, rows = [], []
        numbers: list[int] = []
        owners = np.flatnonzero(known.owns[self.numbers])
        for i, n in zip(owners.tolist(), self.numbers[owners].tolist(), strict=True):
            for j, looks in known.own[n]:
                if (j, looks) not in number:
                    number[j, looks] = lay.none + 1 + len(rows)
                    rows += looks
                    numbers += range(len(looks))
                entries.append((i, j, number[j, looks], len(looks)))
        self.own_item, self.own_valve, row, self.own_count = np.array(entries, dtype=int).reshape(-1, 4).T
        most = max(1, self.own_count.max(initial=0))
        self.own_rows = row[:, None] + np.minimum(np.arange(most), np.maximum(self.own_count - 1, 0)[:, None])
        self.own_rows[self.own_count == 0] = lay.none
        self.number = np.concatenate([lay.number, np.array(numbers, dtype=int)])
        self.own_looks = lay.looked(rows) if rows else None

    def sides(self, there: np.ndarray) -> tuple[tuple, tuple, sp.csr_matrix, sp.csr_matrix]:
        """(left, right, of, to) where only some unknowns are there: the others have no weight."""
        if there.all():
            return self.left, self.right, self.of, self.to
        left, right = ((i, w * there[i]) for i, w in (self.left, self.right))
        of, to = ((w.ravel(), m.indices, m.indptr) for (_, w), m in ((left, self.of), (right, self.to)))
        return left, right, sp.csr_matrix(of, self.of.shape), sp.csr_matrix(to, self.to.shape)

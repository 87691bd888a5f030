"""Information: how many bits a test is expected to tell about which hypothesis (or group of them) is true.

In: probabilities, and what every test would show under every hypothesis. Out: expected bits per test, outcome classes.
"""

from __future__ import annotations

import math

import numpy as np

from casekit.error import CasekitError
from casekit.reasoning.belief import entropy_bits

PER_SIGMA = 4  # cells of the grid per standard uncertainty
REACH = 4 * PER_SIGMA  # cells to either side that one reading is spread over
GAP = 2 * REACH + 2  # cells: readings further apart than this do not meet, so wider gaps are squeezed to it
BLOCK = 2 * REACH  # cells convolved together
AT_ONCE = 1 << 14  # readings per round, so that a round stays within the processor's cache
OFF_SCALE = 1e30  # stands for readings that are no number, far from all that are


def discrete_bits(p: np.ndarray, outcome: np.ndarray) -> np.ndarray:
    """Expected bits (T,) about hypotheses of probability `p` (S,) from tests whose outcome they decide.

    `outcome` (T,S) holds outcome numbers (any integers). What is learnt is then the entropy of the outcome.

    >>> discrete_bits([0.25] * 4, [[0, 0, 1, 1], [0, 1, 2, 3], [7, 7, 7, 7]]).tolist()
    [1.0, 2.0, 0.0]
    """
    p, outcome = _probabilities(p), np.atleast_2d(np.asarray(outcome))
    tests, s = outcome.shape
    _agree(p, s)
    number = outcome - outcome.min(initial=0)
    if number.max(initial=0) > 2 * s:  # far apart: number them anew
        number = np.unique(outcome, return_inverse=True)[1].reshape(outcome.shape)
    k = int(number.max(initial=0)) + 1
    at = number + k * np.arange(tests)[:, None]
    weights = np.bincount(at.ravel(), np.broadcast_to(p, outcome.shape).ravel(), tests * k)
    return np.maximum(entropy_bits(weights.reshape(tests, k)), 0.0)


def discrete_bits_soft(p: np.ndarray, likelihood: np.ndarray) -> np.ndarray:
    """Expected bits (T,) from tests that show outcome k under hypothesis s with probability `likelihood` (T,S,K)."""
    p, likelihood = _probabilities(p), np.asarray(likelihood, dtype=float)
    _agree(p, likelihood.shape[1])
    if (likelihood < 0).any() or not np.allclose(likelihood.sum(axis=-1), 1):
        raise CasekitError("The outcomes of a test do not add up to one; give each hypothesis a probability for each.")
    bits = entropy_bits(np.einsum("s,tsk->tk", p, likelihood)) - entropy_bits(likelihood) @ p
    return np.maximum(bits, 0.0)


def grouped_bits(p: np.ndarray, likelihood: np.ndarray, group: np.ndarray) -> float:
    """Expected bits about which group of hypotheses is true, from one test with outcomes of probability `likelihood`
    (S,K) under hypotheses of probability `p` (S,); `group` (S,) holds group numbers.

    >>> grouped_bits([0.25] * 4, [[1, 0], [1, 0], [0, 1], [0, 1]], [0, 1, 0, 1])
    0.0
    """
    p, group = _probabilities(p), np.asarray(group)
    _agree(p, len(group))
    order = np.argsort(group, kind="stable")
    first = np.flatnonzero(np.diff(group[order], prepend=group.min() - 1))
    total = np.add.reduceat(p[order], first)
    both = np.add.reduceat(p[order, None] * np.asarray(likelihood)[order], first)
    some = total > 0
    return float(discrete_bits_soft(total[some], (both[some] / total[some, None])[None])[0])


def gaussian_bits(p: np.ndarray, mean: np.ndarray, sigma: np.ndarray, group: np.ndarray | None = None) -> np.ndarray:
    """Expected bits (T,) about which group of hypotheses is true, from one reading of each test.

    Under hypothesis s, of probability `p` (S,), test t reads N(`mean`[t,s], `sigma`[t,s]²). `group` (S,) holds group
    numbers; without it every hypothesis is its own. A mean that is no number (NaN: "no steady state"; ±inf: off the
    scale) is an outcome of its own, never mistaken for a value. `sigma` may be (T,S), (T,1) or a number.

    A reading v becomes u = ∫ dv/σ(v), so that its noise is one everywhere; u is laid on a grid of a quarter, gaps
    squeezed; one histogram and one convolution give the mixture, and I = H(mixture) - Σ p_g H(mixture of g). Within
    0.01 nat where σ is the same for all hypotheses of a test or changes smoothly with v (tests compare with
    quadrature). Where neighbouring readings differ in σ it is an estimate only, as a wide σ alone gives something away:
    in trials off by up to 0.11 nat where σ scattered by a third, by up to 0.6 nat where it scattered fourfold.

    >>> gaussian_bits([0.5, 0.5], [[1.0, 1.0], [1.0, 2.0], [1.0, float("nan")]], 0.01).round(3).tolist()
    [0.0, 1.0, 1.0]
    """
    mean, sigma = _readings(mean, sigma)
    p = _probabilities(p)
    _agree(p, mean.shape[1])
    group = np.arange(len(p)) if group is None else np.asarray(group)
    _agree(p, len(group))
    alive = np.flatnonzero(p)
    p, group = p[alive], np.unique(group[alive], return_inverse=True)[1]
    rows = max(1, AT_ONCE // len(p))
    parts = [
        _gaussian_nats(p, _columns(mean[k : k + rows], alive), _columns(sigma[k : k + rows], alive), group)
        for k in range(0, len(mean), rows)
    ]
    return np.maximum(np.concatenate([np.zeros(0), *parts]) / math.log(2), 0.0)


def classes(p: np.ndarray, mean: np.ndarray, sigma: np.ndarray, cut: float = 3.0) -> np.ndarray:
    """Outcome classes (T,S): numbers from 0 upwards in the order of the readings.

    A new class begins where neighbouring readings lie more than `cut` times their larger `sigma` apart; what is no
    number is a class of its own (the last). Quick and coarse: where readings form a chain of small gaps they are one
    class, and their bits are missing; so use it for a shortlist. Hypotheses of probability zero join the nearest class.
    """
    mean, sigma = _readings(mean, sigma)
    p = _probabilities(p)
    _agree(p, mean.shape[1])
    alive = np.flatnonzero(p)
    out = np.empty(mean.shape, dtype=int)
    rows = max(1, AT_ONCE // len(alive))
    for k in range(0, len(mean), rows):
        some = slice(k, k + rows)
        v, s, column = _sorted(_columns(mean[some], alive), _columns(sigma[some], alive))
        new = v[:, 1:] - v[:, :-1] > cut * (np.maximum(s[:, 1:], s[:, :-1]) if s.shape[1] > 1 else s)
        number = np.zeros(v.shape, dtype=int)
        np.cumsum(new, axis=1, out=number[:, 1:])
        out[np.arange(len(mean))[some, None], alive[column]] = number
        for dead in np.flatnonzero(p == 0):  # joins the nearest living reading
            nearest = np.abs(v - mean[some, dead, None]).argmin(axis=1)
            out[some, dead] = number[np.arange(len(v)), nearest]
    return out


def _gaussian_nats(p: np.ndarray, mean: np.ndarray, sigma: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Expected nats of some tests, whose group numbers run from 0."""
    tests, s = mean.shape
    v, sigma, hypothesis = _sorted(mean, sigma)
    hypothesis = hypothesis.ravel()
    steps = np.empty_like(v)
    steps[:, 0] = GAP  # every test begins a gap after the one before
    between = steps[:, 1:]
    np.subtract(v[:, 1:], v[:, :-1], out=between)
    if sigma.shape[1] > 1:
        # 1/σ by the trapezoid: an uncertain reading between two sharp ones must not blur these.
        local = 1 / sigma
        between *= 0.5 * PER_SIGMA * (local[:, 1:] + local[:, :-1])
    else:
        between *= PER_SIGMA / sigma
    np.minimum(steps, GAP, out=steps)
    u = np.cumsum(steps)
    cell = u.astype(np.int64)
    share = u - cell
    weight = p[hypothesis]
    nats = _disorder(cell, share, weight, tests)

    sizes, of_group = np.bincount(group), np.bincount(group, p)
    several = (sizes > 1)[group]
    # A group of one has the entropy of one reading as the grid sees it, so that the grid's errors cancel.
    alone = np.where(several, 0.0, p)[hypothesis] if several.any() else weight
    nats -= np.einsum("ts,ts->t", alone.reshape(tests, s), _lone(share).reshape(tests, s))
    if not several.any():
        return nats
    # Groups of several are laid one after the other, with the gaps within each squeezed again, by whole cells.
    label = np.where(several, group, len(sizes)).astype(np.int16 if len(sizes) < 1 << 15 else np.int64)[hypothesis]
    rank = np.argsort(label.reshape(tests, s), axis=1, kind="stable")[:, : several.sum()]
    rank = (rank + s * np.arange(tests)[:, None]).ravel()
    cell, label = cell[rank], label[rank]
    steps = np.full(len(rank), GAP)
    np.copyto(steps[1:], np.minimum(np.diff(cell), GAP), where=label[1:] == label[:-1])
    steps[:: len(rank) // tests] = GAP
    shared = of_group[sizes > 1]
    return nats - _disorder(np.cumsum(steps), share[rank], weight[rank], tests) - (shared * np.log(shared)).sum()


def _disorder(cell: np.ndarray, share: np.ndarray, weight: np.ndarray, tests: int) -> np.ndarray:
    """-Σ f log f in nats for each test, f being the weights of its readings spread by their noise.

    Every test has the same number of readings, in order, and begins a gap after the one before. A reading that lies
    between two cells is shared by both. A reading that meets no other needs no grid.
    """
    test = np.arange(tests)
    per_test = len(cell) // tests
    far = cell[1:] - cell[:-1] >= GAP
    if 2 * np.count_nonzero(far[1:] & far[:-1]) < len(cell):
        return _on_grid(cell, share, weight, test, cell[::per_test], tests)
    far = np.concatenate([[True], far, [True]])
    lonely = far[1:] & far[:-1]
    met, test = ~lonely, test.repeat(per_test)
    w = weight[lonely]
    nats = np.bincount(test[lonely], w * (_lone(share[lonely]) - np.log(w)), tests)
    if met.any():
        steps = np.minimum(np.diff(cell[met], prepend=0), GAP)
        steps[0] = GAP
        cell, test = np.cumsum(steps), test[met]
        first = np.flatnonzero(np.diff(test, prepend=-1))
        nats += _on_grid(cell, share[met], weight[met], test[first], cell[first], tests)
    return nats


def _on_grid(
    cell: np.ndarray, share: np.ndarray, weight: np.ndarray, test: np.ndarray, first: np.ndarray, tests: int
) -> np.ndarray:
    """The same for all `tests` from the readings themselves; those in `test` begin in the cells `first`."""
    blocks = int(cell[-1]) // BLOCK + 3
    right = weight * share
    f = np.bincount(cell, weight - right, blocks * BLOCK)
    f += np.bincount(cell + 1, right, blocks * BLOCK)
    # The convolution as products of blocks of cells with two halves of a banded matrix; it shifts by REACH.
    # Seven digits suffice here and take half the time.
    f = f.reshape(blocks, BLOCK).astype(np.float32)
    f = (f[:-1] @ BANDS[:BLOCK] + f[1:] @ BANDS[BLOCK:]).ravel()
    f *= np.log(f + np.float32(1e-30))
    nats = np.zeros(tests)
    nats[test] = -np.add.reduceat(f, first - 2 * REACH, dtype=float)
    return nats


def _lone(share: np.ndarray) -> np.ndarray:
    """Entropy in nats of one reading on the grid, where it has this share in the right one of its two cells."""
    return LONE[0] + LONE[1] * (share - share * share)


def _kernel() -> tuple[np.ndarray, np.ndarray]:
    """Noise on the grid as a banded matrix, and the entropy of one reading as a line in share·(1 - share)."""
    # Sharing between two cells adds 1/6 cell² of variance on average, which the kernel leaves out.
    variance = PER_SIGMA**2 - 1 / 6
    kernel = np.exp(-0.5 * np.arange(-REACH, REACH + 1.0) ** 2 / variance)
    kernel /= kernel.sum()
    shares = np.array([0.0, 0.5])
    blurred = np.outer(1 - shares, np.append(kernel, 0.0)) + np.outer(shares, np.append(0.0, kernel))
    entropy = entropy_bits(blurred) * math.log(2)
    bands = np.zeros((2 * BLOCK, BLOCK), dtype=np.float32)
    for k in range(BLOCK):
        bands[k : k + len(kernel), k] = kernel
    return bands, np.polyfit(shares * (1 - shares), entropy, 1)[::-1]


def _readings(mean: np.ndarray, sigma: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Means (T,S) with what is no number far off the scale, and sigma as (T,S) or (T,1)."""
    mean = np.atleast_2d(np.asarray(mean, dtype=float))
    sigma = np.atleast_2d(np.asarray(sigma, dtype=float))
    sigma = np.broadcast_to(sigma, (len(mean), mean.shape[1] if sigma.shape[1] > 1 else 1))
    finite = np.isfinite(mean)
    if not finite.all():
        # Infinite readings on either side of the scale, no reading beyond them; finite ones keep their distances.
        mean = np.nan_to_num(mean, nan=2 * OFF_SCALE, posinf=OFF_SCALE, neginf=-OFF_SCALE)
        sigma = np.where(finite | (sigma.shape[1] == 1), sigma, 1.0)[:, : sigma.shape[1]]
    if not (sigma > 0).all():
        raise CasekitError("A reading has no uncertainty; give every test a sigma above zero.")
    return mean, sigma


def _probabilities(p: np.ndarray) -> np.ndarray:
    p = np.asarray(p, dtype=float)
    total = p.sum()
    if not (p >= 0).all() or not 0 < total < math.inf:
        raise CasekitError("The probabilities of the hypotheses are not all zero or more with a sum above zero.")
    return p / total


def _sorted(mean: np.ndarray, sigma: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Means in order along each row, their sigmas, and the column each came from."""
    # The column rides in the last bits of the number (2e-13 of it for 1,000 columns): a sort is four times faster
    # than one that gives the order.
    low = np.int64((1 << (mean.shape[1] - 1).bit_length()) - 1)
    keys = np.ascontiguousarray(mean).view(np.int64) & ~low
    keys |= np.arange(mean.shape[1])
    keys.view(float).sort(axis=1)
    column = keys & low
    if sigma.shape[1] > 1:
        flat = column + mean.shape[1] * np.arange(len(mean))[:, None]
        sigma = np.ascontiguousarray(sigma).ravel()[flat]
    keys &= ~low
    return keys.view(float), sigma, column


def _columns(array: np.ndarray, kept: np.ndarray) -> np.ndarray:
    return array if array.shape[1] in (1, len(kept)) else array[:, kept]


def _agree(p: np.ndarray, s: int) -> None:
    if len(p) != s:
        raise CasekitError(f"The tests speak of {s} hypotheses, but {len(p)} have a probability; give one for each.")


BANDS, LONE = _kernel()

"""Minimal hitting sets, held against the examples of Reiter and of de Kleer and Williams, and against brute force."""

from itertools import chain, combinations

import numpy as np
import pytest

from casekit.reasoning.belief import normalised
from casekit.reasoning.hitting import minimal_hitting_sets

PARTS = ("A1", "A2", "M1", "M2", "M3")
SEEN = {"F": 10, "G": 12}


def subsets(parts):
    """All subsets, smaller ones first."""
    return [frozenset(c) for c in chain.from_iterable(combinations(parts, k) for k in range(len(parts) + 1))]


def holds(good, seen):
    """Whether the multiplier-adder circuit may show `seen` when the parts in `good` work.

    X = a·c, Y = b·d, Z = c·e, F = X + Y, G = Y + Z with a=3, b=2, c=2, d=3, e=3. Values are passed on until nothing
    new follows; any value is possible behind a part that may be bad. Sums are linear, so this finds every conflict.
    """
    known = dict(seen)
    for part, point in (("M1", "X"), ("M2", "Y"), ("M3", "Z")):
        if part in good and known.setdefault(point, 6) != 6:
            return False
    for _ in range(3):
        for adder, (one, two, total) in (("A1", "XYF"), ("A2", "YZG")):
            if adder not in good:
                continue
            missing = [x for x in (one, two, total) if x not in known]
            if missing == [total]:
                known[total] = known[one] + known[two]
            elif len(missing) == 1:
                known[missing[0]] = known[total] - known[one if missing == [two] else two]
            elif not missing and known[total] != known[one] + known[two]:
                return False
    return True


def conflicts(seen):
    """The smallest sets of parts that cannot all be good."""
    found = []
    for parts in subsets(PARTS):
        if not any(c <= parts for c in found) and not holds(parts, seen):
            found.append(parts)
    return found


def diagnoses(**more):
    """Minimal diagnoses after further measurements, as sets of names."""
    return {frozenset(d) for d in minimal_hitting_sets(conflicts(SEEN | more))}


def sets(*names):
    return {frozenset(n.split()) for n in names}


@pytest.mark.reference
def test_multiplier_adder_circuit():
    """De Kleer and Williams, AI 32:97-130 (1987): two conflicts, four minimal diagnoses (from memory; recomputed)."""
    assert set(conflicts(SEEN)) == sets("A1 M1 M2", "A1 A2 M1 M3")
    assert diagnoses() == sets("A1", "M1", "A2 M2", "M2 M3")


@pytest.mark.reference
def test_after_measuring_x():
    """The same circuit in lecture slides of the University of Edinburgh: X measured as 4, 6 or something else."""
    assert diagnoses(X=4) == sets("M1")
    assert diagnoses(X=6) == sets("A1", "M2 M3", "A2 M2")
    assert diagnoses(X=5) == sets("A1 M1", "M1 M2 M3", "A2 M1 M2")


@pytest.mark.reference
def test_after_measuring_y_or_z():
    """Derived: Y measured as 4 or 6, Z as 6 or 8."""
    assert diagnoses(Y=4) == sets("M2 M3", "A2 M2")
    assert diagnoses(Y=6) == sets("A1", "M1")
    assert diagnoses(Z=6) == sets("A1", "M1", "A2 M2")
    assert diagnoses(Z=8) == sets("M2 M3", "A1 A2 M3", "A2 M1 M3")


@pytest.mark.reference
def test_all_consistent_fault_sets():
    """Derived: 27 of the 32 sets of parts hit both conflicts; with p = 0.01 each, {A1} and {M1} have 0.478."""
    fits = [s for s in subsets(PARTS) if holds(frozenset(PARTS) - s, SEEN)]
    assert len(fits) == 27
    p = normalised([len(s) * np.log(0.01) + (5 - len(s)) * np.log(0.99) for s in fits])
    weight = dict(zip(fits, p, strict=True))
    assert weight[frozenset({"A1"})] == pytest.approx(0.478, abs=0.001)
    assert weight[frozenset({"M1"})] == pytest.approx(0.478, abs=0.001)


@pytest.mark.reference
def test_reiters_figure():
    """Reiter, AI 32:57-95 (1987), Fig. 1 (family from memory; sets derived)."""
    family = [{2, 4, 5}, {1, 2, 3}, {1, 3, 5}, {2, 4, 6}, {2, 4}, {2, 3, 5}, {1, 6}]
    expected = [{1, 2}, {1, 3, 4}, {1, 4, 5}, {2, 3, 6}, {2, 5, 6}, {3, 4, 6}]
    assert minimal_hitting_sets(family) == expected
    assert minimal_hitting_sets(family, at_most=2) == [{1, 2}]


@pytest.mark.reference
def test_reiters_full_adder():
    """Reiter (1987): conflicts {X1,X2} and {X1,A2,O1} (from memory; recomputed)."""
    assert minimal_hitting_sets([{"X1", "X2"}, {"X1", "A2", "O1"}]) == [{"X1"}, {"A2", "X2"}, {"O1", "X2"}]


def test_against_brute_force():
    random = np.random.default_rng(11)
    for _ in range(60):
        families = [set(random.choice(8, random.integers(1, 5), replace=False).tolist()) for _ in range(6)]
        hitting = [s for s in subsets(range(8)) if all(s & f for f in families)]
        expected = [s for s in hitting if not any(h < s for h in hitting)]
        assert minimal_hitting_sets(families) == sorted(expected, key=lambda s: (len(s), sorted(s)))


def test_nothing_to_hit_and_nothing_that_hits():
    assert minimal_hitting_sets([]) == [frozenset()]
    assert minimal_hitting_sets([set(), {1}]) == []


def test_elements_without_an_order():
    assert minimal_hitting_sets([{1, "W1"}, {"W1", None}]) == [{"W1"}, {1, None}]

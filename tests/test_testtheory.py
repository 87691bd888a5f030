"""Test theory, held against published tables and examples (references L1 to L18, D22)."""

import math

import numpy as np
import pytest

from casekit.error import CasekitError
from casekit.reasoning.testtheory import (
    ability,
    brier,
    chance,
    difficulties,
    expected_score,
    judged,
    kr20,
    log_score,
    point_biserial,
    rated,
)

pytestmark = pytest.mark.reference
# Ten candidates, ten items: data of a class published by East Carolina University (Wuensch), references L7.
CLASS = np.array([[int(c) for c in row] for row in (
    "1111110110", "1011011101", "1111011001", "0010001000", "0000010010",
    "1110111111", "1101110111", "1111111101", "0101111101", "1101101110",
)])  # fmt: skip
LOGITS = np.arange(-3, 4)


def test_rasch():
    """L1: 0.5 where ability is difficulty; b = 2, ability 0: 0.12."""
    assert chance(1.3, 1.3) == 0.5
    assert chance(0, 2) == pytest.approx(0.12, abs=0.005)


@pytest.mark.parametrize(
    ("settings", "table"),
    [
        ({"difficulty": 1, "slope": 0.5}, [0.12, 0.18, 0.27, 0.38, 0.50, 0.62, 0.73]),  # L3, two parameters
        ({"difficulty": 1}, [0.02, 0.05, 0.12, 0.27, 0.50, 0.73, 0.88]),  # L4, one
        ({"difficulty": 1.5, "slope": 1.3, "guess": 0.2}, [0.20, 0.21, 0.23, 0.30, 0.47, 0.73, 0.90]),  # L5, three
    ],
)
def test_tables_of_baker(settings, table):
    """F. B. Baker, The Basics of Item Response Theory, 2nd ed. 2001, ch. 2: at abilities -3 to 3."""
    assert chance(LOGITS, **settings) == pytest.approx(table, abs=0.0051)


def test_kr20_of_a_class():
    """L7: shares, sum of pq 2.18, variance of totals 5.84, KR-20 0.6963; L8: mixed with n - 1 it would be 0.7378."""
    p = CLASS.mean(axis=0)
    assert p == pytest.approx([0.7, 0.7, 0.6, 0.7, 0.6, 0.8, 0.7, 0.7, 0.5, 0.6])
    assert (p * (1 - p)).sum() == pytest.approx(2.18)
    assert CLASS.sum(axis=1).tolist() == [8, 7, 7, 2, 2, 9, 8, 9, 7, 7]
    assert CLASS.sum(axis=1).var() == pytest.approx(5.84)
    assert kr20(CLASS) == pytest.approx(0.6963, abs=1e-4)
    assert 10 / 9 * (1 - 2.18 / CLASS.sum(axis=1).var(ddof=1)) == pytest.approx(0.7378, abs=1e-4)  # the error


def test_point_biserial_is_pearsons_r():
    """L10, and numpy's own correlation."""
    totals = CLASS.sum(axis=1)
    for item in CLASS.T:
        assert point_biserial(item, totals) == pytest.approx(np.corrcoef(item, totals)[0, 1], abs=1e-12)


def test_ratings_after_elo():
    """L11 (an old text prints 2.99 and 1597, which its own numbers do not give), L12, and L13: Elo 1978 p. 37."""
    others = [(1609, 0.0), (1477, 0.5), (1388, 1.0), (1586, 1.0), (1720, 0.0)]
    expected = [expected_score(1613, other) for other, _ in others]
    assert expected == pytest.approx([0.506, 0.686, 0.785, 0.539, 0.351], abs=5e-4)
    assert sum(expected) == pytest.approx(2.867, abs=1e-3)
    assert rated(1613, others) == pytest.approx(1601, abs=0.5)
    assert expected_score(2400, 2000) == pytest.approx(0.909, abs=5e-4)
    assert rated(2400, [(2000, 1.0)]) == pytest.approx(2402.9, abs=0.05)
    assert rated(2000, [(2400, 0.0)]) == pytest.approx(1997.1, abs=0.05)
    assert pytest.approx(2643.4, abs=0.05) == 2635 + 10 * (10.5 - 9.66)
    assert expected_score(1035, 1000) == pytest.approx(0.55, abs=0.005)


def test_proper_scores():
    """L16 and L17; L18: both are strictly proper, so saying what one believes costs least on average."""
    assert [brier(0.7, True), brier(0.3, True), brier(0.5, True)] == pytest.approx([0.09, 0.49, 0.25])
    assert [log_score(p, True) for p in (0.7, 0.3, 0.5)] == pytest.approx([0.5146, 1.7370, 1.0], abs=1e-4)
    for score in (brier, log_score):
        for true in (0.2, 0.65, 0.9):
            said = np.linspace(0.01, 0.99, 99)
            mean = [true * score(p, True) + (1 - true) * score(p, False) for p in said]
            assert said[int(np.argmin(mean))] == pytest.approx(true, abs=0.006)


def test_abilities_and_difficulties_come_back():
    """300 simulated candidates on 40 items: difficulties within their error, abilities covered by their intervals."""
    rng = np.random.default_rng(1)
    b, theta = np.sort(rng.normal(0, 1, 40)), rng.normal(0, 1.2, 300)
    x = (rng.random((300, 40)) < chance(theta[:, None], b[None])).astype(float)
    found = difficulties(x)
    assert np.corrcoef(found, b)[0, 1] > 0.98
    assert np.abs(found - (b - b.mean())).max() < 0.6
    every = [ability(row, b) for row in x]
    inside = np.mean([a.interval[0] <= t <= a.interval[1] for a, t in zip(every, theta, strict=True)])
    assert inside == pytest.approx(0.95, abs=0.04)
    assert all(0.2 < a.error < 1.0 for a in every)


def test_all_right_and_all_wrong_have_an_answer():
    best, worst = ability([1] * 10, [0.0] * 10), ability([0] * 10, [0.0] * 10)
    assert math.isfinite(best.logits)
    assert best.logits == pytest.approx(-worst.logits, abs=1e-9)
    assert best.error > ability([1, 0] * 5, [0.0] * 10).error


def test_guessing_is_not_ability():
    """A quarter right of items with four options is what guessing gives."""
    assert ability([1, 0, 0, 0] * 10, [0.0] * 40, 0.25).interval[0] < -2


def test_weak_items_are_named_with_the_reason():
    rng = np.random.default_rng(2)
    theta = rng.normal(0, 1, 200)
    x = (rng.random((200, 30)) < chance(1.5 * theta[:, None], np.zeros(30)[None])).astype(float)
    x[:, 1], x[:, 2], x[:, 3] = 1, (theta < 0), rng.random(200) < 0.05
    words = [item.weak.split(" (")[0] for item in judged(x)]
    assert words[1] == "nearly everybody gets it right"
    assert words[2] == "those who do well elsewhere get it wrong as often as the others"
    assert words[3] in ("hardly anybody gets it right", words[2])
    assert sum(bool(word) for word in words) <= 5
    assert judged(x[:5])[1].weak == ""  # five answers say nothing of an item


def test_bayes_of_a_test():
    """D22: one in a hundred is bad, the test finds 80 % and gives a false alarm in 10 %: 7.5 % of alarms are right
    (Rice, Mathematical Statistics, 3rd ed.)."""
    from casekit.reasoning.belief import normalised

    p = normalised(np.log([0.01 * 0.8, 0.99 * 0.1]))
    assert 100 * p[0] == pytest.approx(7.5, abs=0.05)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: kr20([[1, 0]]), "KR-20 needs at least two candidates and two items, every item answered by all."),
        (lambda: kr20([[1, 2], [0, 1]]), "Answers are a table of candidates by items, 1 right, 0 wrong, nan where not "
         "put."),
        (lambda: ability([1, 0], [0.0]), "There are 2 answers and 1 difficulties; give one for each item."),
    ],
)  # fmt: skip
def test_what_is_no_table_of_answers(call, sentence):
    with pytest.raises(CasekitError) as caught:
        call()
    assert str(caught.value) == sentence

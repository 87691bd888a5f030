"""Expected information, held against published splits and against dense quadrature."""

import math

import numpy as np
import pytest

from casekit.error import CasekitError
from casekit.reasoning.belief import entropy_bits
from casekit.reasoning.information import classes, discrete_bits, discrete_bits_soft, gaussian_bits, grouped_bits

# Outlook, temperature, humidity, wind, play.
WEATHER = """
SHHWN SHHSN OHHWY RMHWY RCNWY RCNSN OCNSY SMHWN SCNWY RMNWY SMNSY OMHSY OHNWY RMHSN
"""


def quadrature_bits(p, mean, sigma, group):
    """Information about groups from one reading: Gauss-Legendre in pieces of half a sigma around every mean."""
    there = np.isfinite(mean)
    m, s, w, g = mean[there], sigma[there], p[there], group[there]
    knots = np.unique(np.concatenate([m + k * s for k in np.linspace(-9, 9, 37)]))
    nodes, weights = np.polynomial.legendre.leggauss(6)
    half = np.diff(knots) / 2
    v = ((knots[:-1] + half)[:, None] + half[:, None] * nodes).ravel()
    dv = (half[:, None] * weights).ravel()
    f = w[:, None] * np.exp(-0.5 * ((v - m[:, None]) / s[:, None]) ** 2) / (s[:, None] * math.sqrt(2 * math.pi))

    def xlog(x):
        return x * np.log2(np.maximum(x, 1e-300))

    bits = -(xlog(f.sum(axis=0)) * dv).sum() + sum((xlog(f[g == k].sum(axis=0)) * dv).sum() for k in set(g))
    away = ~there  # one outcome of its own
    bits += -xlog(p[away].sum()) + sum(xlog(p[away & (group == k)].sum()) for k in set(group[away]))
    return bits - sum(xlog(p[group == k].sum()) for k in set(group))


def cases(random, sigma, n=40):
    """Hypotheses at random: few or many, even or uneven, close or far apart."""
    for _ in range(n):
        size = int(random.integers(2, 60))
        p = random.dirichlet(np.full(size, random.choice([0.1, 1.0, 10.0])))
        mean = random.uniform(0, random.choice([0.1, 0.5, 3.0, 50.0]), size)
        yield p, mean, sigma(mean)


@pytest.mark.reference
@pytest.mark.parametrize("grouped", [False, True], ids=["single", "grouped"])
@pytest.mark.parametrize(
    "sigma",
    [lambda v: np.full(len(v), 0.1), lambda v: 0.03 + 0.01 * v, lambda v: 0.02 + 0.03 * v],
    ids=["sigma the same", "1 % of reading", "3 % of reading"],
)
def test_against_quadrature(sigma, grouped, finding, request):
    """Within 0.01 nat where sigma is the same or changes smoothly with the reading."""
    random = np.random.default_rng(5)
    worst = 0.0
    for p, mean, s in cases(random, sigma):
        group = random.integers(0, max(2, len(p) // 3), len(p)) if grouped else np.arange(len(p))
        bits = gaussian_bits(p, mean, s, group)[0]
        worst = max(worst, abs(bits - quadrature_bits(p, mean, s, group)) * math.log(2))
    assert worst < 0.01
    finding(f"information against quadrature ({request.node.callspec.id}): worst {worst:.4f} nat")


@pytest.mark.reference
def test_no_steady_state_against_quadrature():
    """Hypotheses without a reading are one outcome; grouped and not."""
    random = np.random.default_rng(6)
    for p, mean, s in cases(random, lambda v: np.full(len(v), 0.1)):
        mean[1:][random.random(len(p) - 1) < 0.3] = np.nan
        for group in (np.arange(len(p)), random.integers(0, 4, len(p))):
            bits = gaussian_bits(p, mean, s, group)[0]
            assert bits == pytest.approx(quadrature_bits(p, mean, s, group), abs=0.01)


def test_many_tests_at_once_are_each_of_them_alone():
    random = np.random.default_rng(7)
    p, mean = random.dirichlet(np.ones(50)), random.uniform(0, 5, (900, 50))
    mean[random.random(mean.shape) < 0.1] = np.nan
    group, sigma = random.integers(0, 20, 50), 0.01 + 0.004 * np.nan_to_num(mean)
    for g in (None, group):
        together = gaussian_bits(p, mean, sigma, g)
        alone = [gaussian_bits(p, m, s, g)[0] for m, s in zip(mean[::90], sigma[::90], strict=True)]
        assert together[::90] == pytest.approx(alone, abs=2e-3)
        assert gaussian_bits(p, mean, 0.02, g) == pytest.approx(gaussian_bits(p, mean, np.full(mean.shape, 0.02), g))


def test_limits():
    """Nothing from equal readings, all there is from readings far apart, one bit at most from a reading or none."""
    p = np.array([0.5, 0.2, 0.2, 0.1])
    mean = [
        [3.3] * 4,
        [0.0, 1.0, 2.0, 3.0],
        [np.nan] * 4,
        [1.0, np.nan, np.nan, np.nan],
        [np.inf, -np.inf, 0.0, np.nan],
    ]
    bits = gaussian_bits(p, mean, 0.01)
    everything = entropy_bits(p)
    assert bits == pytest.approx([0.0, everything, 0.0, 1.0, everything], abs=1e-6)
    together = gaussian_bits(p, mean, 0.01, group=[0, 0, 1, 1])
    assert together == pytest.approx([0.0, entropy_bits([0.7, 0.3]), 0.0, entropy_bits([0.7, 0.3]) - 0.5
                                      * entropy_bits([0.4, 0.6]), entropy_bits([0.7, 0.3])], abs=1e-6)  # fmt: skip


def test_impossible_hypotheses_count_for_nothing():
    p = np.array([0.6, 0.0, 0.4])
    assert gaussian_bits(p, [1.0, 1.5, 1.1], 0.1) == pytest.approx(gaussian_bits([0.6, 0.4], [1.0, 1.1], 0.1))


def test_a_wide_reading_does_not_blur_its_sharp_neighbours():
    assert gaussian_bits([0.5, 1e-6, 0.5], [0.0, 0.5, 1.0], [0.01, 10.0, 0.01]) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.reference
def test_which_point_of_the_multiplier_adder_circuit():
    """De Kleer and Williams (1987) measure X first; derived: expected entropy after X 0.0809, after Y 1.0000, after Z
    1.0354 bit for the four minimal diagnoses {A1}, {M1}, {A2,M2}, {M2,M3} with p = 0.01 each."""
    p = np.array([0.01, 0.01, 0.01**2 / 0.99, 0.01**2 / 0.99])
    p = p / p.sum()
    shown = [[6, 4, 6, 6], [6, 6, 4, 4], [6, 6, 6, 8]]  # X, Y, Z under each
    after = entropy_bits(p) - discrete_bits(p, shown)
    assert after == pytest.approx([0.0809, 1.0000, 1.0354], abs=1e-4)


@pytest.mark.reference
def test_ten_bulbs_in_series():
    """A school text on measuring strategy: one of ten bulbs is open; splits 5/5, 3/2, 2/1, 1/1 give 1, 0.971, 0.918,
    1 bit, and log2 10 = 3.32 asks for four measurements."""
    for a, b, bits in ((5, 5, 1.0), (3, 2, 0.971), (2, 1, 0.918), (1, 1, 1.0)):
        assert discrete_bits(np.ones(a + b), [0] * a + [1] * b) == pytest.approx(bits, abs=0.001)
    assert math.ceil(entropy_bits(np.full(10, 0.1))) == 4


@pytest.mark.reference
def test_weather_table():
    """Quinlan 1986 (table and gains as reproduced): entropy 0.9403; outlook 0.2467, humidity 0.1518, wind 0.0481,
    temperature 0.0292 bit about whether to play."""
    rows = np.array([list(row) for row in WEATHER.split()])
    plays = (rows[:, 4] == "Y").mean()
    p = np.array([plays, 1 - plays])
    assert entropy_bits(p) == pytest.approx(0.9403, abs=1e-4)
    for column, gain in ((0, 0.2467), (2, 0.1518), (3, 0.0481), (1, 0.0292)):
        likelihood = [[(rows[rows[:, 4] == c, column] == x).mean() for x in set(rows[:, column])] for c in "YN"]
        assert discrete_bits_soft(p, [likelihood]) == pytest.approx(gain, abs=1e-4)


def test_soft_outcomes_that_are_certain_are_plain_outcomes():
    random = np.random.default_rng(8)
    p, outcome = random.dirichlet(np.ones(9)), random.integers(0, 4, (6, 9))
    assert discrete_bits_soft(p, np.eye(4)[outcome]) == pytest.approx(discrete_bits(p, outcome))


def test_bits_about_groups_are_all_bits_less_those_within_groups():
    """The chain rule of information: I(hypothesis; outcome) = I(group; outcome) + I(hypothesis; outcome | group)."""
    random = np.random.default_rng(9)
    p, likelihood = random.dirichlet(np.ones(9)), random.dirichlet(np.ones(4), 9)
    p[4] = 0.0  # alone in a group
    p /= p.sum()
    group = np.array([7, 0, 7, 2, 3, 2, 2, 0, 9])
    within = 0.0
    for g in (0, 2, 7, 9):
        mine = group == g
        within += p[mine].sum() * discrete_bits_soft(p[mine], likelihood[None, mine])[0]
    assert within > 0.01
    assert grouped_bits(p, likelihood, group) == pytest.approx(discrete_bits_soft(p, likelihood[None])[0] - within)
    assert grouped_bits(p, likelihood, np.zeros(9)) == pytest.approx(0.0, abs=1e-12)


def test_classes():
    """Cut where neighbours lie more than three of the larger sigma apart; no reading is the last class."""
    mean = [[1.0, 5.0, 1.015, np.nan, 1.04], [2.0, 2.0, np.inf, -1.0, 2.5]]
    sigma = [[0.01, 0.01, 0.01, 0.01, 0.01], [0.01, 0.01, 0.01, 0.01, 0.2]]
    assert classes(np.ones(5), mean, sigma).tolist() == [[0, 1, 0, 2, 0], [1, 1, 2, 0, 1]]
    assert classes(np.ones(5), mean, 0.001).tolist()[0] == [0, 3, 1, 4, 2]
    assert classes([1, 1, 0, 1, 1], mean, 0.01).tolist()[0] == [0, 2, 0, 3, 1]


def test_classes_are_a_shortlist():
    """Within a quarter nat of the grid where readings differ by steps of many sigma."""
    random = np.random.default_rng(9)
    p = random.dirichlet(np.ones(60))
    mean = np.round(random.uniform(0, 5, (100, 60)), 1)
    coarse = discrete_bits(p, classes(p, mean, 0.01))
    assert np.abs(coarse - gaussian_bits(p, mean, 0.01)).max() * math.log(2) < 0.25


@pytest.mark.parametrize(
    ("action", "sentence"),
    [
        (
            lambda: gaussian_bits([0.5, 0.5], [[1.0, 2.0]], [[0.1, 0.0]]),
            "A reading has no uncertainty; give every test a sigma above zero.",
        ),
        (
            lambda: gaussian_bits([0.5, 0.5], [[1.0, 2.0, 3.0]], 0.1),
            "The tests speak of 3 hypotheses, but 2 have a probability; give one for each.",
        ),
        (
            lambda: discrete_bits([0.0, 0.0], [[1, 2]]),
            "The probabilities of the hypotheses are not all zero or more with a sum above zero.",
        ),
        (
            lambda: discrete_bits_soft([0.5, 0.5], [[[0.5, 0.4], [0.5, 0.5]]]),
            "The outcomes of a test do not add up to one; give each hypothesis a probability for each.",
        ),
    ],
)
def test_sentences(action, sentence):
    with pytest.raises(CasekitError) as error:
        action()
    assert str(error.value) == sentence

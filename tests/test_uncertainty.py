"""Uncertainty budgets, held against the GUM and EA-4/02."""

import math

import numpy as np
import pytest

from casekit.error import CasekitError
from casekit.reasoning.uncertainty import (
    Component,
    combined,
    coverage_factor,
    expanded,
    propagate,
    propagated,
    rectangular,
)

pytestmark = pytest.mark.reference


def test_rectangle():
    """JCGM 100:2008, 4.3.7: u = a/√3."""
    assert rectangular(1.0) == 1 / math.sqrt(3)


def test_resolution_of_a_milliohm_meter():
    """A text of the WMO expert team on instruments: resolution 0.001 Ω, limits 0.0005 Ω, u = 0.29 mΩ."""
    assert rectangular(0.001 / 2) * 1e3 == pytest.approx(0.29, abs=0.005)


def test_digital_voltmeter_of_the_gum():
    """JCGM 100:2008, 4.3.7 example 2 and 5.1.5 (from memory, recomputed): 0.928571 V, s(mean) 12 µV; specification
    14e-6 of the reading and 2e-6 of the 1 V range gives a = 15 µV, u = 8.7 µV, combined 15 µV (14.8)."""
    a = 14e-6 * 0.928571 + 2e-6 * 1.0
    assert a * 1e6 == pytest.approx(15.0, abs=0.1)
    assert rectangular(a) * 1e6 == pytest.approx(8.7, abs=0.1)
    assert combined(12e-6, rectangular(a)) * 1e6 == pytest.approx(14.8, abs=0.1)


def test_handheld_multimeter():
    """EA-4/02 S9, 100 V dc: 0.001 V normal, rectangles of half width 0.05 V and 0.011 V; combined 0.030 V, k 1.65,
    U 0.05 V at 95 %. EA takes the k of the rectangle that dominates; convolved with the second it is 1.71, and U is
    the same in the digits printed."""
    budget = [
        Component(0.001),
        Component(rectangular(0.05), "rectangular"),
        Component(rectangular(0.011), "rectangular"),
    ]
    assert budget[1].u == pytest.approx(0.029, abs=0.001)
    assert budget[2].u == pytest.approx(0.0064, abs=0.0001)
    assert combined(*(c.u for c in budget)) == pytest.approx(0.030, abs=0.001)
    assert coverage_factor(budget[1:2], 0.95) == pytest.approx(1.65, abs=0.005)
    k, u = expanded(budget, 0.95)
    assert 1.65 < k < 1.75
    assert u == pytest.approx(0.05, abs=0.001)


def test_ten_kilohm_resistor():
    """EA-4/02 S3: components 2.5, 5.8, 1.6, 3.2 mΩ, 4.1e-7 and 7e-8 of 10 kΩ; combined 8.33 mΩ, k 2.00 (the result
    is taken as normal), U 0.017 Ω."""
    u = [2.5e-3, 5.8e-3, 1.6e-3, 3.2e-3, 4.1e-7 * 1e4, 7e-8 * 1e4]
    assert combined(*u) == pytest.approx(8.33e-3, rel=0.01)
    k, wide = expanded([Component(x) for x in u])
    assert k == pytest.approx(2.00, abs=0.005)
    assert wide == pytest.approx(0.017, rel=0.02)  # 16.7 mΩ, printed with two digits


def test_resistance_and_reactance():
    """GUM H.2: V, I and phase with their correlations give R, X, Z and theirs (values as a national institute's
    library prints them)."""
    values, u, r = propagate(
        lambda v, i, phi: (v / i * math.cos(phi), v / i * math.sin(phi), v / i),
        [4.999, 19.661e-3, 1.04446],
        [0.0032, 0.0095e-3, 0.00075],
        [[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]],
    )
    assert values == pytest.approx([127.732, 219.847, 254.260], abs=1e-3)
    assert u == pytest.approx([0.070, 0.2957, 0.2366], abs=1e-3)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.59, -0.49, 0.99], abs=0.005)


def test_shapes_known_in_closed_form():
    """A normal at 95.45 % has k = 2.00, a rectangle √3·p, two equal rectangles (a triangle) √6·(1 - √(1 - p))."""
    one = Component(0.3, "rectangular")
    assert coverage_factor([Component(0.2), Component(0.1)]) == pytest.approx(2.000, abs=1e-4)
    assert coverage_factor([one], 0.9) == pytest.approx(math.sqrt(3) * 0.9, abs=1e-4)
    assert coverage_factor([one, one], 0.95) == pytest.approx(math.sqrt(6) * (1 - math.sqrt(0.05)), abs=1e-4)


def test_shapes_against_drawn_samples():
    """A rectangle with a normal, against a million draws (JCGM 101's way)."""
    random = np.random.default_rng(3)
    draws = random.uniform(-1, 1, 1_000_000) + random.normal(0, 0.4, 1_000_000)
    budget = [Component(rectangular(1.0), "rectangular"), Component(0.4)]
    _, wide = expanded(budget, 0.95)
    assert wide == pytest.approx(np.quantile(np.abs(draws), 0.95), rel=0.003)


def test_sensitivities_in_a_matrix():
    """Two sums of the same two inputs: exact by hand."""
    covariance = propagated([[1, 1], [1, -1]], [[4, 1], [1, 9]])
    assert covariance.tolist() == [[15, -5], [-5, 11]]


def test_a_result_that_depends_on_nothing():
    values, u, r = propagate(lambda x, y: (x + y, 3.0), [1.0, 2.0], [0.3, 0.4])
    assert (values.tolist(), r.tolist()) == ([3.0, 3.0], [[1.0, 0.0], [0.0, 1.0]])
    assert u == pytest.approx([0.5, 0.0])


@pytest.mark.parametrize(
    ("action", "sentence"),
    [
        (
            lambda: Component(1.0, "triangular"),
            "Component has the shape 'triangular'; write 'normal' or 'rectangular'.",
        ),
        (
            lambda: Component(-1.0),
            "Component has the standard uncertainty -1.0; give zero or a positive number.",
        ),
        (
            lambda: coverage_factor([Component(1.0)], 95),
            "The coverage probability is 95; give a number between 0 and 1.",
        ),
        (
            lambda: coverage_factor([Component(0.0)]),
            "The budget has no component above zero; name at least one source of uncertainty.",
        ),
        (
            lambda: propagate(lambda x: x, [1.0], [0.1, 0.2]),
            "The inputs are 1 values, 2 uncertainties and (1, 1) correlations; give one of each for every input.",
        ),
    ],
)
def test_sentences(action, sentence):
    with pytest.raises(CasekitError) as error:
        action()
    assert str(error.value) == sentence

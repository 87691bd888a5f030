"""Least-squares adjustment, held against the GUM."""

import math

import numpy as np
import pytest

from casekit.error import CasekitError
from casekit.reasoning.adjustment import adjusted

pytestmark = pytest.mark.reference


def test_resistance_and_reactance_by_a_fit():
    """GUM H.2: voltage, current and phase with their correlations, fitted by R, X and the current (values as a national
    institute's library prints them, references I17): R 127.732(70), X 219.85(30), r(R,X) -0.59."""
    u = np.array([0.0032, 0.0095e-3, 0.00075])
    r = np.array([[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]])
    found = adjusted(
        lambda resistance, reactance, i: (i * math.hypot(resistance, reactance), i, math.atan2(reactance, resistance)),
        [100.0, 200.0, 0.02], [4.999, 19.661e-3, 1.04446], r * np.outer(u, u),
    )  # fmt: skip
    assert found.values[:2] == pytest.approx([127.732, 219.847], abs=1e-3)
    assert found.u[:2] == pytest.approx([0.070, 0.2957], abs=1e-3)
    assert found.covariance[0, 1] / found.u[0] / found.u[1] == pytest.approx(-0.59, abs=0.005)
    assert found.freedom == 0
    assert found.chi2 == pytest.approx(0.0, abs=1e-12)


def test_calibration_of_a_thermometer():
    """GUM H.3 (from memory): eleven corrections against temperature less 20 degrees, a straight line: intercept
    -0.1712(29), slope 0.00218(67), correlation -0.930, scatter 0.0035, correction at 30 degrees -0.1494(41)."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]) - 20
    b = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000
    found = adjusted(lambda a, k: a + k * t, [0.0, 0.0], b, np.eye(11), scale=[0.1, 0.01])
    scatter = math.sqrt(found.chi2 / found.freedom)
    assert scatter == pytest.approx(0.0035, abs=5e-5)
    assert found.values == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert scatter * found.u == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert found.covariance[0, 1] / found.u[0] / found.u[1] == pytest.approx(-0.930, abs=5e-4)
    at_30 = scatter * math.sqrt(np.array([1, 10]) @ found.covariance @ np.array([1, 10]))
    assert found.values @ [1, 10] == pytest.approx(-0.1494, abs=5e-5)
    assert at_30 == pytest.approx(0.0041, abs=5e-5)


def test_pulls_point_to_the_reading_that_is_off():
    measured = np.array([1.0, 1.01, 0.99, 1.5])
    found = adjusted(lambda x: np.full(4, x), [1.0], measured, 0.0001 * np.eye(4))
    assert int(np.abs(found.pulls).argmax()) == 3
    # One of four equal readings: its residual has the standard uncertainty u sqrt(3/4).
    assert found.pulls[3] == pytest.approx((1.5 - measured.mean()) / (0.01 * math.sqrt(0.75)), rel=1e-6)


def test_a_parameter_on_which_nothing_depends_is_not_known():
    found = adjusted(lambda a, b: (a, a), [1.0, 1.0], [2.0, 2.2], 0.01 * np.eye(2))
    assert found.values[0] == pytest.approx(2.1)
    assert found.u[0] == pytest.approx(0.1 / math.sqrt(2))
    assert found.u[1] == math.inf
    assert found.freedom == 1


@pytest.mark.parametrize(
    ("covariance", "sentence"),
    [
        (np.eye(3), "There are 2 measured values and a covariance (3, 3); give one row for each."),
        (np.zeros((2, 2)), "The covariance is not positive; give every measured value an uncertainty."),
    ],
)
def test_what_is_no_covariance_is_refused(covariance, sentence):
    with pytest.raises(CasekitError) as caught:
        adjusted(lambda a: (a, a), [1.0], [2.0, 2.2], covariance)
    assert str(caught.value) == sentence

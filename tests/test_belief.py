"""Weights over hypotheses, held against worked examples of Bayes' rule and of model-based diagnosis."""

import numpy as np
import pytest

from casekit.error import CasekitError
from casekit.reasoning.belief import entropy_bits, normalised, updated


def positive(prior, hit, false_alarm):
    """Probability after one positive result."""
    return updated([prior, 1 - prior], [hit, false_alarm])[0]


@pytest.mark.reference
def test_four_minimal_diagnoses():
    """The multiplier-adder circuit of de Kleer and Williams (1987) with p = 0.01 for each component: its four minimal
    diagnoses {A1}, {M1}, {A2,M2}, {M2,M3}; weights and entropy derived here."""
    good, bad = np.log(0.99), np.log(0.01)
    p = normalised([bad + 4 * good, bad + 4 * good, 2 * bad + 3 * good, 2 * bad + 3 * good])
    assert p == pytest.approx([0.495, 0.495, 0.005, 0.005], abs=1e-4)
    assert entropy_bits(p) == pytest.approx(1.0808, abs=1e-4)


@pytest.mark.reference
def test_bayes_with_false_alarms():
    """A widely used screening problem: prior 1 %, hit 80 %, false alarm 9.6 % gives 7.76 % (result derived)."""
    assert 100 * positive(0.01, 0.8, 0.096) == pytest.approx(7.76, abs=0.01)


@pytest.mark.reference
def test_bayes_with_rounder_false_alarms():
    """Rice, Mathematical Statistics, 3rd ed. (as quoted): prior 1 %, hit 80 %, false alarm 10 % gives 7.5 %."""
    assert 100 * positive(0.01, 0.8, 0.10) == pytest.approx(7.5, abs=0.05)


@pytest.mark.reference
def test_two_independent_repeats():
    """The first screening problem twice, both positive: 41.2 % (derived)."""
    once = updated([0.01, 0.99], [0.8, 0.096])
    assert 100 * updated(once, [0.8, 0.096])[0] == pytest.approx(41.2, abs=0.1)


def test_weights_far_below_the_smallest_float():
    assert normalised([-5000.0, -5000.0 - np.log(3)]) == pytest.approx([0.75, 0.25])


def test_entropy_along_the_last_axis():
    assert entropy_bits([[1.0, 0.0, 0.0], [0.5, 0.5, 0.0]]) == pytest.approx([0.0, 1.0])


def test_nothing_left():
    with pytest.raises(CasekitError) as error:
        updated([1.0, 0.0], [0.0, 1.0])
    assert str(error.value) == (
        "The weights leave no hypothesis possible; measure again, or allow two faults or a wrong drawing."
    )


def test_no_number():
    with pytest.raises(CasekitError) as error:
        normalised([0.0, np.nan])
    assert str(error.value) == "The weights hold a value that is no number; check the likelihood that gave it."


def test_negative_likelihood():
    with pytest.raises(CasekitError) as error:
        updated([0.5, 0.5], [-0.1, 1.0])
    assert str(error.value) == "The evidence has a weight below zero; give probabilities or densities."

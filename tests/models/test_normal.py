"""Conditioning of normal vectors against what can be done by hand."""

from __future__ import annotations

import numpy as np
import pytest

from models.normal import Normal, conditioned, told

OWN = Normal(np.array([1.0, 2.0]), np.array([[4.0, 2.0], [2.0, 4.0]]))


def test_two_words_of_one_thing_are_weighed_by_their_variance():
    """Variance 4 says 1, variance 1 says 6: 5 with variance 0.8."""
    both = told(OWN, Normal(np.array([6.0]), np.array([[1.0]])), where=np.array([True, False]))
    assert both.mean[0] == pytest.approx(5.0)
    assert both.covariance[0, 0] == pytest.approx(0.8)


def test_a_word_moves_what_is_related_to_it():
    """The untold element follows by covariance over variance: 2 + (2 / 5) x 5, 4 - 4 / 5."""
    both = told(OWN, Normal(np.array([6.0]), np.array([[1.0]])), where=np.array([True, False]))
    assert both.mean[1] == pytest.approx(4.0)
    assert both.covariance[1, 1] == pytest.approx(3.2)


def test_no_reading_leaves_the_prior():
    """Nothing read, nothing changed."""
    same = conditioned(OWN, seen=np.empty((0, 0)), cross=np.empty((2, 0)), misfit=np.empty(0))
    assert same is OWN


def test_scaling_keeps_the_correlation():
    """Standard deviations times 2 and 3, correlation 0.5 as before, the mean too."""
    scaled = OWN.scaled(np.array([2.0, 3.0]))
    assert scaled.sd() == pytest.approx([4.0, 6.0])
    assert scaled.covariance[0, 1] / np.prod(scaled.sd()) == pytest.approx(0.5)
    assert scaled.mean is OWN.mean

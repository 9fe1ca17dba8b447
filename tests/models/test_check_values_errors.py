"""Error measures against reference libraries, and at the limits of ASHRAE Guideline 14 (C15)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import variation
from sklearn.metrics import root_mean_squared_error

from models.error_measures import cv_rmse_percent, nmbe_percent

RNG = np.random.default_rng(14)
MEASURED = RNG.uniform(400.0, 900.0, 12)  # kWh in each month of a year
PREDICTED = MEASURED + RNG.normal(10.0, 60.0, 12)


@pytest.mark.parametrize("parameters", [1, 2, 4])
def test_cv_rmse_is_the_librarys_but_for_the_freedom(parameters: int) -> None:
    """scikit-learn divides the squares by n; the guideline by n - p."""
    theirs = 100.0 * root_mean_squared_error(MEASURED, PREDICTED) / MEASURED.mean()
    ours = cv_rmse_percent(MEASURED, PREDICTED, parameters=parameters)
    assert ours == pytest.approx(theirs * np.sqrt(12 / (12 - parameters)))


def test_predicting_the_mean_gives_the_coefficient_of_variation() -> None:
    """One parameter, the mean itself: no bias, and scipy's sample coefficient of variation."""
    mean = np.full(12, MEASURED.mean())
    assert nmbe_percent(MEASURED, mean) == pytest.approx(0.0, abs=1e-12)
    assert cv_rmse_percent(MEASURED, mean) == pytest.approx(100.0 * variation(MEASURED, ddof=1))


def test_a_steady_five_percent_is_more_than_five_by_the_guideline() -> None:
    """5 % too low in each of 12 months, one parameter: 5 x 12 / 11 %, beyond the monthly 5 %."""
    assert nmbe_percent(MEASURED, 0.95 * MEASURED) == pytest.approx(5.0 * 12 / 11)
    assert nmbe_percent(MEASURED, 1.05 * MEASURED) == pytest.approx(-5.0 * 12 / 11)

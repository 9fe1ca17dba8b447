"""Error measures, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from models.error_measures import cv_rmse_percent, nmbe_percent

MEASURED = np.array([90.0, 110.0, 100.0, 100.0])
PREDICTED = np.array([80.0, 105.0, 100.0, 95.0])


def test_sums_are_divided_by_n_less_p() -> None:
    """ASHRAE Guideline 14: 20 in all over (4 - 1) x 100, and the root of 150 over 4 - 1."""
    assert nmbe_percent(MEASURED, PREDICTED) == pytest.approx(100 * 20 / (3 * 100))
    assert cv_rmse_percent(MEASURED, PREDICTED) == pytest.approx(100 * 50**0.5 / 100)
    assert nmbe_percent(MEASURED, PREDICTED, parameters=2) == pytest.approx(10.0)


def test_what_cannot_be_measured_is_refused() -> None:
    """Unequal lengths, too few values and a mean of 0 are errors, not infinities."""
    with pytest.raises(ValueError, match="as many predictions"):
        nmbe_percent(MEASURED, PREDICTED[:3])
    with pytest.raises(ValueError, match="more than 4"):
        cv_rmse_percent(MEASURED, PREDICTED, parameters=4)
    with pytest.raises(ValueError, match="mean is 0"):
        nmbe_percent(np.array([-1.0, 1.0]), np.array([0.0, 0.0]))

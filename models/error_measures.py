"""How far predictions lie from measurements, as ASHRAE Guideline 14 counts it."""

from __future__ import annotations

import math

import numpy as np

from models.series import FloatArray


def nmbe_percent(measured: FloatArray, predicted: FloatArray, *, parameters: int = 1) -> float:
    """Normalised mean bias error: positive where predictions are too low [%].

    Parameters
    ----------
    measured, predicted : array, shape (n,)
        Without unknown values, and of a quantity whose zero means none (energy, not °C).
    parameters : int
        How many parameters were fitted, p: sums are divided by n - p.

    References
    ----------
    ASHRAE Guideline 14: within 5 % for monthly values.
    """
    mean, free = _mean_and_freedom(measured, predicted, parameters)
    return 100.0 * float(np.sum(measured - predicted)) / free / mean


def cv_rmse_percent(measured: FloatArray, predicted: FloatArray, *, parameters: int = 1) -> float:
    """Coefficient of variation of the root mean square error [%].

    Parameters and source as for `nmbe_percent`; at most 15 % for monthly, 30 % for hourly values.
    """
    mean, free = _mean_and_freedom(measured, predicted, parameters)
    return 100.0 * math.sqrt(float(np.sum((measured - predicted) ** 2)) / free) / mean


def _mean_and_freedom(
    measured: FloatArray, predicted: FloatArray, parameters: int
) -> tuple[float, int]:
    free = len(measured) - parameters
    if len(measured) != len(predicted) or free <= 0:
        raise ValueError(
            f"as many predictions as measurements are needed, and more than {parameters}: found "
            f"{len(measured)} measurements and {len(predicted)} predictions"
        )
    mean = float(np.mean(measured))
    if mean == 0.0:
        raise ValueError("the measurements' mean is 0: there is nothing to compare errors to")
    return mean, free

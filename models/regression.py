"""Bayesian linear regression around a known prior, with honest errors for overlapping windows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from sklearn.linear_model import BayesianRidge

from models.series import FloatArray, IntArray

_CERTAIN = 1e9  # shape and rate of the weights' precision: holds it at 1, the prior's own scale


@dataclass(frozen=True, slots=True, eq=False)
class Gaussian:
    """Mean, shape (p,), and covariance, shape (p, p), of regression coefficients."""

    mean: FloatArray
    covariance: FloatArray


def regress(
    design: FloatArray, response: FloatArray, *, prior: Gaussian, weight: float, block: IntArray
) -> Gaussian:
    """Coefficients of ``response = design @ coefficients`` given a prior.

    Parameters
    ----------
    design : array, shape (m, p)
    response : array, shape (m,)
    prior : Gaussian
        Belief before the data.
    weight : float
        Share of a row that is news, below 1 where rows overlap.
    block : array, shape (m,)
        Number of the block of time in which each row lies, from 0. Rows of different blocks count
        as independent, rows of one block as related in any way.

    Returns
    -------
    Gaussian
        The covariance is that of the regression, widened for each coefficient where the scatter
        between blocks (the sandwich estimate) says that it is too narrow.

    Notes
    -----
    The prior's prediction is taken off and the columns are brought to the prior's scale, so that
    the prior is standard normal and `BayesianRidge` need only find the noise.
    """
    scale = np.linalg.cholesky(prior.covariance)
    scaled = design @ scale
    surplus = response - design @ prior.mean
    ridge = BayesianRidge(lambda_1=_CERTAIN, lambda_2=_CERTAIN, fit_intercept=False)
    ridge.fit(scaled, surplus, sample_weight=np.full(len(surplus), weight))
    residual = surplus - scaled @ ridge.coef_
    between = _sandwich(scaled, residual, precision=weight * float(ridge.alpha_), block=block)
    covariance = scale @ ridge.sigma_ @ scale.T
    ratio = np.diag(scale @ between @ scale.T) / np.diag(covariance)
    widening = np.sqrt(np.maximum(1.0, ratio))
    return Gaussian(
        mean=prior.mean + scale @ ridge.coef_,
        covariance=covariance * np.outer(widening, widening),
    )


def _sandwich(
    scaled: FloatArray, residual: FloatArray, *, precision: float, block: IntArray
) -> FloatArray:
    """Covariance from the scatter of the blocks' scores around a standard normal prior."""
    count = int(block.max()) + 1
    scores = np.zeros((count, scaled.shape[1]))
    np.add.at(scores, block, precision * scaled * residual[:, np.newaxis])
    few = count / max(1, count - 1)  # as for any variance from few values
    identity = np.eye(scaled.shape[1])
    bread = np.linalg.inv(precision * scaled.T @ scaled + identity)
    return np.asarray(bread @ (few * scores.T @ scores + identity) @ bread)

"""Jointly normal quantities: what some that were read say of others that were not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_solve, cholesky

from models.series import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Normal:
    """A normal vector: ``mean`` of shape (n,) and ``covariance`` of shape (n, n)."""

    mean: FloatArray
    covariance: FloatArray

    def sd(self) -> FloatArray:
        """Standard deviation of each element, shape (n,)."""
        sd: FloatArray = np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        return sd

    def scaled(self, factor: FloatArray) -> Normal:
        """The same mean and correlations, every standard deviation times its ``factor`` (n,)."""
        return Normal(self.mean, self.covariance * factor[:, np.newaxis] * factor)


def conditioned(
    prior: Normal, *, seen: FloatArray, cross: FloatArray, misfit: FloatArray
) -> Normal:
    """``prior`` after ``m`` readings of related quantities.

    Parameters
    ----------
    prior : Normal of n
    seen : ndarray, shape (m, m)
        Covariance of the readings, their noise included.
    cross : ndarray, shape (n, m)
        Covariance between what is wanted and what was read.
    misfit : ndarray, shape (m,)
        Readings less their prior mean.

    Raises
    ------
    numpy.linalg.LinAlgError
        Where ``seen`` is not positive definite.
    """
    if misfit.size == 0:
        return prior
    gain = cho_solve((cholesky(seen, lower=True), True), cross.T).T
    return Normal(prior.mean + gain @ misfit, prior.covariance - gain @ cross.T)


def told(own: Normal, other: Normal, *, where: npt.NDArray[np.bool_]) -> Normal:
    """``own`` joined with independent word of its elements ``where`` (bool, shape (n,)).

    ``other`` tells the elements that ``where`` marks, in order, with the covariance of its error.
    """
    at = np.flatnonzero(where)
    return conditioned(
        own,
        seen=own.covariance[np.ix_(at, at)] + other.covariance,
        cross=own.covariance[:, at],
        misfit=other.mean - own.mean[at],
    )

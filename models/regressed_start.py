"""Optimum start by a preheat time that is linear in its coefficients, refined by each preheat.

Two published forms of what the time depends on, and recursive least squares with forgetting.
Temperatures are counted from the target: a polynomial depends on where its zero lies, and so
one set of coefficients serves any target (heat flow goes with differences).

References
----------
J. E. Seem, P. R. Armstrong, C. E. Hancock, "Algorithms for predicting recovery time from night
setback", ASHRAE Transactions 95(2), 1989, repeated in the ASHRAE Handbook, HVAC Applications,
supervisory control (form and weight from memory).
J. E. Seem, J. M. House, C. F. Alcala, "Model selection for predicting the return time from night
setback", International High Performance Buildings Conference, 2016, paper 231 (abstract seen:
of 57 models, two-parameter ones are recommended; which was not seen).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

FORGETTING = 0.95
"""What a preheat still counts after the next one [-]; common practice, no source."""

_TIME_SD_H = 2.0  # scatter of preheat times about any such form (chosen here, no source)
_MOST_DEVIATIONS = 3.0  # forgetting widens no coefficient beyond so many of its first deviations


@dataclass(frozen=True, slots=True)
class Setback:
    """A room about to be preheated.

    Parameters
    ----------
    air_c, outdoor_c : float
        Room air and outdoor air [°C].
    unoccupied_c : float
        What the room is kept above while nothing is booked [°C].
    target_c : float
        What it is to be at the session [°C].
    """

    air_c: float
    outdoor_c: float
    unoccupied_c: float
    target_c: float


@dataclass(frozen=True, slots=True)
class Recursion:
    """Coefficients that recursive least squares has found, and how certain they are.

    Parameters
    ----------
    coefficients : tuple of float, length n
        Hours for each unit of its regressor.
    covariance : tuple of tuple of float, shape (n, n)
    widest : tuple of float, length n
        Variances that forgetting leads back to at most.
    """

    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    widest: tuple[float, ...]

    @classmethod
    def first(cls, coefficients: Sequence[float], deviations: Sequence[float]) -> Recursion:
        """What is assumed before anything is learnt, with independent standard deviations."""
        variances = np.square(np.array(deviations, dtype=np.float64))
        widest = tuple((_MOST_DEVIATIONS**2 * variances).tolist())
        return cls(tuple(coefficients), _rows(np.diag(variances)), widest)

    def predicted_h(self, regressors: Sequence[float]) -> float:
        """Preheat time at these regressors [h]."""
        return float(np.dot(self.coefficients, regressors))

    def learnt(self, regressors: Sequence[float], hours: float) -> Recursion:
        """The same after one more preheat, which took ``hours``.

        Notes
        -----
        Recursive least squares with exponential forgetting (any text on adaptive control). What
        is never excited would lose all certainty under forgetting; ``widest`` bounds that.
        """
        phi = np.array(regressors, dtype=np.float64)
        spread = np.array(self.covariance) / FORGETTING
        # scaled alike in rows and columns, so that it stays a covariance
        shrink = np.sqrt(np.minimum(1.0, np.array(self.widest) / np.diag(spread)))
        spread = spread * np.outer(shrink, shrink)
        gain = spread @ phi / (_TIME_SD_H**2 + float(phi @ spread @ phi))
        found = np.array(self.coefficients) + gain * (hours - self.predicted_h(regressors))
        left = spread - np.outer(gain, phi @ spread)
        return Recursion(tuple(found.tolist()), _rows(0.5 * (left + left.T)), self.widest)


def _rows(matrix: np.ndarray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in matrix.tolist())


def unoccupied_weight(setback: Setback) -> float:
    """How far a room is from cooling freely: 1 at what it is kept above, 0.001 at target [-].

    w = 1000^(-(air - unoccupied) / (target - unoccupied)), from memory (Seem 1989); 1 below.
    """
    span_k = setback.target_c - setback.unoccupied_c
    if span_k <= 0.0:
        return 1.0
    return float(1000.0 ** -max(0.0, (setback.air_c - setback.unoccupied_c) / span_k))


def weighted_terms(setback: Setback) -> tuple[float, ...]:
    """What the weighted form multiplies its four coefficients with.

    hours = a0 + (1 - w) (a1 z + a2 z^2) + w a3 o, z and o being room and outdoor air less the
    target [K], w the `unoccupied_weight`: a room that cools freely needs the longer the colder
    it is, one that was kept from cooling further the longer the colder it is outside.
    """
    weight = unoccupied_weight(setback)
    zone_k = setback.air_c - setback.target_c
    outdoor_k = setback.outdoor_c - setback.target_c
    free = 1.0 - weight
    return 1.0, free * zone_k, free * zone_k**2, weight * outdoor_k


def two_terms(setback: Setback) -> tuple[float, ...]:
    """What the two-parameter form multiplies its coefficients with: hours = a0 + a1 missing.

    Which two parameters the source recommends was not seen; this is the plainest choice.
    """
    return 1.0, setback.target_c - setback.air_c


@dataclass(frozen=True, slots=True)
class Form:
    """One form of the preheat time, and what is assumed of its coefficients at first.

    Parameters
    ----------
    terms : callable
        Regressors of a setback.
    first, deviations : tuple of float
        Coefficients before anything is learnt, and their standard deviations [h per unit].
    """

    terms: Callable[[Setback], tuple[float, ...]]
    first: tuple[float, ...]
    deviations: tuple[float, ...]

    def recursion(self) -> Recursion:
        """The form before anything is learnt."""
        return Recursion.first(self.first, self.deviations)


# First values say 1 K/h, and of a room at 5 °C that outdoors it is 0 °C (common practice, no
# source): 13 h to 18 °C are 0.72 h for each kelvin that it is colder outside than the target.
WEIGHTED = Form(weighted_terms, (0.0, -1.0, 0.0, -0.72), (3.0, 0.5, 0.03, 0.4))
TWO_PARAMETER = Form(two_terms, (0.0, 1.0), (3.0, 0.5))

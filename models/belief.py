"""What is known of a response and how well: standard errors, samples, lead-time quantiles.

Kept apart from the fit, so that planning with stored parameters needs no scikit-learn.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.first_order import FirstOrder, lead_time_s
from models.series import FloatArray

Covariance = tuple[tuple[float, ...], ...]
"""Of (log time constant, log gain, log dead time, offset [K], sun gain [K m2/W]), five by five."""


@dataclass(frozen=True, slots=True)
class StandardErrors:
    """Standard error of each parameter of a `FirstOrder`, in that parameter's unit."""

    time_constant_s: float
    gain_k_per_w: float
    dead_time_s: float
    offset_k: float
    sun_gain_k_m2_per_w: float


@dataclass(frozen=True, slots=True)
class Belief:
    """A response with the joint uncertainty of its parameters.

    The first three are uncertain on a log scale, so that no draw is ever negative. Their
    errors hang together (a longer time constant with a larger gain heats at the same pace), so
    draws from the standard errors alone would spread the lead time far too wide.
    """

    model: FirstOrder
    covariance: Covariance

    def standard_errors(self) -> StandardErrors:
        """To first order, in the units of the parameters."""
        deviation = [math.sqrt(max(0.0, self.covariance[i][i])) for i in range(5)]
        return StandardErrors(
            time_constant_s=self.model.time_constant_s * deviation[0],
            gain_k_per_w=self.model.gain_k_per_w * deviation[1],
            dead_time_s=self.model.dead_time_s * deviation[2],
            offset_k=deviation[3],
            sun_gain_k_m2_per_w=deviation[4],
        )


def belief_from_errors(
    model: FirstOrder, errors: StandardErrors, *, time_gain_correlation: float = 0.0
) -> Belief:
    """A belief from stored standard errors.

    ``time_gain_correlation`` is that between the logs of time constant and gain [-1..1]. It is
    the one that lead times hang on; without the others they spread slightly wider than need be.
    """
    deviation = np.array(
        [
            errors.time_constant_s / model.time_constant_s,
            errors.gain_k_per_w / model.gain_k_per_w,
            errors.dead_time_s / model.dead_time_s if model.dead_time_s > 0 else 0.0,
            errors.offset_k,
            errors.sun_gain_k_m2_per_w,
        ]
    )
    correlation = np.eye(5)
    correlation[0, 1] = correlation[1, 0] = time_gain_correlation
    return Belief(model, as_covariance(correlation * np.outer(deviation, deviation)))


def as_covariance(matrix: FloatArray) -> Covariance:
    """A matrix as plain tuples."""
    return tuple(tuple(float(number) for number in row) for row in matrix)


def draw(belief: Belief, count: int, seed: int) -> list[FirstOrder]:
    """Parameter sets drawn from a belief: same seed, same draws; all positive and stable."""
    matrix = np.array(belief.covariance)
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    steps = np.random.default_rng(seed).standard_normal((count, 5)) @ root.T
    mean = belief.model
    return [
        FirstOrder(
            time_constant_s=mean.time_constant_s * math.exp(step[0]),
            gain_k_per_w=mean.gain_k_per_w * math.exp(step[1]),
            dead_time_s=mean.dead_time_s * math.exp(step[2]),
            offset_k=mean.offset_k + float(step[3]),
            sun_gain_k_m2_per_w=max(0.0, mean.sun_gain_k_m2_per_w + float(step[4])),
        )
        for step in steps
    ]


def lead_time_quantiles_s(
    models: Sequence[FirstOrder],
    quantiles: Sequence[float],
    *,
    start_c: float,
    target_c: float,
    outdoor_c: float,
    power_w: float,
    pending_j: float = 0.0,
) -> tuple[float, ...]:
    """Quantiles of the lead time over drawn parameter sets [s].

    Each is the lead time of one of the draws, the next above the quantile; ``math.inf`` where
    so many of them never reach the target.
    """
    leads = [
        lead_time_s(
            model,
            start_c=start_c,
            target_c=target_c,
            outdoor_c=outdoor_c,
            power_w=power_w,
            pending_j=pending_j,
        )
        for model in models
    ]
    return tuple(float(lead) for lead in np.quantile(leads, quantiles, method="higher"))

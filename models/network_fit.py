"""Learn a room's network from its history, by what it would have said hours ahead.

The most probable parameters given the description's (normal, logs of the positive ones) and the
errors one hour to two days ahead from every hour of the history, each predicted from the state
that the observer had by then. Large errors (a gate left open, a stove lit) weigh little (soft L1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from models.belief import as_covariance
from models.network_backtest import STEP_S, Tracked, starts_of, steps_of, track
from models.network_prior import (
    NetworkBelief,
    NetworkPrior,
    at_coordinates,
    coordinates,
    draw_networks,
)
from models.network_record import Record, record_of
from models.observer import Noise, noise_of
from models.series import FloatArray, IntArray, Series
from models.thermal_network import Kind, Network

HORIZONS_H = (1, 3, 6, 12, 24, 48)
"""How far ahead the errors lie that a fit makes small [h]."""

LEAST_STARTS = 24
"""Starts, one an hour, without which nothing is fitted."""

_ROUNDS = 3  # each with the error scales and the noise that the one before found
_ROUNDS_AGAIN = 2
_STEPS = 15  # of the search, in each round
_TOLERANCE = 1e-3
_SLAB_WEIGHT = 0.35  # of the slab's errors: one spot of it is not its mean
_KNEE = 2.0  # errors beyond so many standard deviations weigh less
_LEAST_AIR_K, _LEAST_SLAB_K = 0.08, 0.15  # no error scale is finer than the sensors
_NOISE_RANGE = (0.2, 3.0)  # of unseen and stray heat, as a share of what is expected
_BLOCK_S = 48 * 3600.0  # errors from starts in different blocks count as independent
_SHIFT = 1e-4  # for the slopes, in the prior's standard deviations
_SD_OF_80 = 1.2816  # 80 % of normal errors lie within so many standard deviations
_TO_SD = 1.4826  # from the median of absolute normal errors to their standard deviation


@dataclass(frozen=True, slots=True)
class NetworkFit:
    """A learnt network.

    Parameters
    ----------
    network : Network
        The most probable one; the prior's where ``ok`` is false.
    belief : NetworkBelief
        The same with its uncertainty, to draw from.
    noise : Noise
        What strays from it, for the observer and for forecasts.
    usable_hours : float
        Starts that errors were counted from, one an hour [h].
    ok : bool
        Whether there was enough history.
    why : str
        What it rests on, or why it failed.
    """

    network: Network
    belief: NetworkBelief
    noise: Noise
    usable_hours: float
    ok: bool
    why: str


def sample_networks(known: NetworkFit | NetworkBelief, count: int, seed: int) -> list[Network]:
    """Draw networks from what is known: same seed, same draws; all positive and stable."""
    return draw_networks(known.belief if isinstance(known, NetworkFit) else known, count, seed)


def fit_network(series: Series, prior: NetworkPrior, kind: Kind = Kind.TWO_NODE) -> NetworkFit:
    """Learn a network from a series, starting from the day-one prior.

    Parameters
    ----------
    series : Series
        Gaps are NaN. Room air, outdoor air and heat suffice; without slab or sun those
        parameters stay the prior's, or what the air says of them.
    prior : NetworkPrior
    kind : Kind
        Which masses the network has.

    Returns
    -------
    NetworkFit
        With ``ok`` false, and the prior's values, where there is too little history.
    """
    return fit_record(record_of(series, step_s=STEP_S), prior.belief(kind))


def fit_record(record: Record, prior: NetworkBelief, *, begin: Network | None = None) -> NetworkFit:
    """The same for a record; ``begin`` is where the search begins if not at the prior.

    A network fitted to most of the same history is near the goal: one round less is enough.
    """
    problem = _Problem(record, prior)
    hours = float(problem.usable)
    if problem.usable < LEAST_STARTS:
        why = f"{hours:.0f} starts in unbroken history, {LEAST_STARTS} needed"
        return NetworkFit(prior.network, prior, problem.noise, hours, ok=False, why=why)
    at = np.zeros(len(problem.middle)) if begin is None else problem.at(begin)
    for _ in range(_ROUNDS if begin is None else _ROUNDS_AGAIN):
        at = problem.best(at)
        problem.rescale(at)
    network = problem.network(at)
    belief = NetworkBelief(network, as_covariance(problem.covariance(at)))
    why = f"{hours:.0f} hours of history, errors up to {problem.furthest_h} h ahead"
    return NetworkFit(network, belief, problem.noise, hours, ok=True, why=why)


@dataclass(slots=True, eq=False)
class _Horizon:
    """Starts of one horizon with the scales of its errors."""

    hours: int
    steps: int
    starts: IntArray
    air_k: float
    slab_k: float

    def scaled(self, tracked: Tracked) -> tuple[FloatArray, FloatArray]:
        """Errors of air and slab in their scales; 0 for a slab that is not known."""
        air = tracked.air_errors(self.starts, self.steps) / self.air_k
        slab = np.nan_to_num(tracked.slab_errors(self.starts, self.steps) / self.slab_k)
        return air, slab


class _Problem:
    """Least squares in coordinates in which the prior is standard normal."""

    def __init__(self, record: Record, prior: NetworkBelief) -> None:
        self._record = record
        self._prior = prior
        self.middle = coordinates(prior.network)
        self._scale = np.linalg.cholesky(np.array(prior.covariance))
        self.noise = noise_of(prior.network)
        starts = {hours: starts_of(record, hours) for hours in HORIZONS_H}
        self._horizons = [
            _Horizon(hours, steps_of(record, hours), found, *_first_scales(hours))
            for hours, found in starts.items()
            if len(found) >= LEAST_STARTS
        ]
        self.usable = len(starts[HORIZONS_H[0]])
        self.furthest_h = self._horizons[-1].hours if self._horizons else 0

    def network(self, at: FloatArray) -> Network:
        """The network at these coordinates."""
        return at_coordinates(self._prior.network, self.middle + self._scale @ at)

    def at(self, network: Network) -> FloatArray:
        """Coordinates of a network of the prior's kind."""
        return np.asarray(np.linalg.solve(self._scale, coordinates(network) - self.middle))

    def best(self, begin: FloatArray) -> FloatArray:
        """Search from ``begin`` for the most probable coordinates."""
        found = least_squares(
            self._residuals,
            begin,
            jac=self._slopes,
            x_scale=1.0,
            max_nfev=_STEPS,
            ftol=_TOLERANCE,
            xtol=_TOLERANCE,
        )
        return np.asarray(found.x)

    def _track(self, at: FloatArray) -> Tracked:
        return track(self._record, self.network(at), self.noise)

    def _residuals(self, at: FloatArray) -> FloatArray:
        tracked = self._track(at)
        parts = [at]
        for horizon in self._horizons:
            weight = self._weight(horizon)
            air, slab = horizon.scaled(tracked)
            parts += [weight * _softened(air), _SLAB_WEIGHT * weight * _softened(slab)]
        return np.concatenate(parts)

    def _weight(self, horizon: _Horizon) -> float:
        """Errors from starts closer than their horizon, and of all horizons, overlap."""
        return math.sqrt(1.0 / (horizon.hours * len(self._horizons)))

    def _slopes(self, at: FloatArray) -> FloatArray:
        here = self._residuals(at)
        moved = [self._residuals(at + _SHIFT * axis) for axis in np.eye(len(at))]
        return np.asarray((np.stack(moved, axis=1) - here[:, np.newaxis]) / _SHIFT)

    def rescale(self, at: FloatArray) -> None:
        """Take error scales and noise from the errors found."""
        tracked = self._track(at)
        ratios = []
        for horizon in self._horizons:
            air, slab = horizon.scaled(tracked)
            before_k = horizon.air_k
            horizon.air_k = max(_LEAST_AIR_K, before_k * _spread(air))
            horizon.slab_k = max(_LEAST_SLAB_K, horizon.slab_k * _spread(slab))
            wide_k = max(_LEAST_AIR_K, before_k * float(np.quantile(np.abs(air), 0.8)) / _SD_OF_80)
            ratios.append(wide_k / _expected_k(tracked, self.noise, horizon.steps))
        self.noise = _scaled_noise(self.noise, float(np.median(ratios)), self._prior.network)

    def covariance(self, at: FloatArray) -> FloatArray:
        """Of the learnt parameters: that of the errors' curvature, widened by the sandwich.

        Errors from one block of time count as related in any way, as in `models.regression`.
        """
        here, slopes = self._residuals(at), self._slopes(at)
        count = len(at)
        curved = np.linalg.inv(slopes.T @ slopes)
        scores = self._block_scores(here[count:], slopes[count:])
        few = len(scores) / max(1, len(scores) - 1)
        between = curved @ (few * scores.T @ scores + np.eye(count)) @ curved
        widening = np.sqrt(np.maximum(1.0, np.diag(between) / np.diag(curved)))
        covariance = np.outer(widening, widening) * curved
        return np.asarray(self._scale @ covariance @ self._scale.T)

    def _block_scores(self, residuals: FloatArray, slopes: FloatArray) -> FloatArray:
        starts = np.concatenate([np.tile(each.starts, 2) for each in self._horizons])
        block = (starts * self._record.step_s // _BLOCK_S).astype(np.int64)
        scores = np.zeros((int(block.max()) + 1, slopes.shape[1]))
        np.add.at(scores, block, slopes * residuals[:, np.newaxis])
        return scores


def _first_scales(hours: int) -> tuple[float, float]:
    """Errors of air and slab to begin with [K]."""
    scale_k = 0.3 * math.sqrt(0.3 + hours / 3.0)
    return scale_k, scale_k


def _softened(errors: FloatArray) -> FloatArray:
    """Errors whose square is the soft L1 loss."""
    inner = errors / _KNEE
    return np.asarray(np.sign(errors) * _KNEE * np.sqrt(2.0 * (np.sqrt(1.0 + inner**2) - 1.0)))


def _spread(errors: FloatArray) -> float:
    known = np.abs(errors[errors != 0.0])
    return _TO_SD * float(np.median(known)) if len(known) else 1.0


def _expected_k(tracked: Tracked, noise: Noise, steps: int) -> float:
    """Standard deviation of the air's error this far ahead by the noise alone [K]."""
    variance, ahead = noise.air_k**2, tracked.step.c_air
    for _ in range(steps):
        variance += float(ahead @ tracked.added @ ahead)
        ahead = ahead @ tracked.step.a
    return math.sqrt(variance)


def _scaled_noise(noise: Noise, ratio: float, network: Network) -> Noise:
    least, most = _NOISE_RANGE
    share = ratio * noise.unseen_w[0] / noise_of(network).unseen_w[0]
    return noise_of(network, scale=min(max(share, least), most))

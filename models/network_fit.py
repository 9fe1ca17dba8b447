"""Learn a room's network from its history: slab and air hours ahead, against what came.

The parameters are the likeliest given prior and history, judged by errors 1 to 24 hours ahead
from starts all over the history, never by errors of one step: the latter say little of slow
parts, and noise and quantisation would rule them. Errors beyond a few of their usual size (a gate
left open, a stove lit) count linearly, not squared.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from models.belief import Covariance, as_covariance
from models.network_errors import Predictor, Track, predictor, track_of
from models.network_prior import SUN, NetworkBelief, at_coordinates, coordinates, draw_networks
from models.series import FloatArray, IntArray, Series
from models.thermal_network import ROOM, SLAB, Network

HORIZONS_H = (1, 3, 6, 12, 24)
"""Hours ahead at which a fit is judged."""
START_EVERY_S = 7200.0
"""Time between two starts [s]."""
LEAST_HISTORY_S = 24 * 3600.0
"""Time covered by starts without which nothing is fitted [s]."""

_REACH_SD = 5.0  # how far the parameters may go from the prior, in its standard deviations
_FIRST_SPREAD_K = 0.5  # taken as the usual error until there is a fit to tell it
_LEAST_SPREAD_K = 0.05  # below this, errors are the sensors' and not the network's
_ROUNDS = 3
_NORMAL = 1.4826  # standard deviation of normal errors, in medians of their absolute values
_MOST_EVALUATIONS = 50


@dataclass(frozen=True, slots=True)
class NetworkFit:
    """A learnt network.

    Parameters
    ----------
    network : Network
        The likeliest; the prior's where ``ok`` is false.
    covariance : tuple of tuple of float
        As in `NetworkBelief`; the prior's where ``ok`` is false.
    usable_hours : float
        Time covered by starts with all that is needed [h].
    slab_noise_k, air_noise_k : float
        Usual error of a single reading against the smoothed ones [K]; NaN where none is known.
    ok : bool
        Whether the history gave a network.
    why : str
        What it rests on, or why it failed.
    """

    network: Network
    covariance: Covariance
    usable_hours: float
    slab_noise_k: float
    air_noise_k: float
    ok: bool
    why: str

    @property
    def belief(self) -> NetworkBelief:
        """The network with its uncertainty."""
        return NetworkBelief(self.network, self.covariance)


def sample_networks(known: NetworkFit | NetworkBelief, count: int, seed: int) -> list[Network]:
    """Draw networks from what is known: same seed, same draws; all positive and stable."""
    return draw_networks(known.belief if isinstance(known, NetworkFit) else known, count, seed)


def fit_network(series: Series, prior: NetworkBelief) -> NetworkFit:
    """Learn slab and room from a series, starting from the prior.

    Parameters
    ----------
    series : Series
        With a measured slab. Gaps are NaN; those of up to half an hour are bridged, and what
        spans a longer one is left out.
    prior : NetworkBelief

    Returns
    -------
    NetworkFit
        With ``ok`` false, and the prior's values, where there is too little history or none of
        the slab. Where no irradiance was measured the sun's area is 0, for the constant gain
        then holds the sun's mean effect.
    """
    task = _task(track_of(series), prior)
    noise = (_noise_k(series.slab_c, task.track, SLAB), _noise_k(series.air_c, task.track, ROOM))
    hours = len(task.starts[0]) * START_EVERY_S / 3600.0
    failed = NetworkFit(prior.network, prior.covariance, hours, *noise, ok=False, why="")
    if not np.isfinite(series.slab_c).any():
        return replace(failed, why="the slab's temperature was never measured")
    if hours * 3600.0 < LEAST_HISTORY_S:
        needed = LEAST_HISTORY_S / 3600.0
        return replace(failed, why=f"{hours:.0f} h of usable history, {needed:.0f} h needed")
    solved = _solve(task)
    if solved is None:
        return replace(failed, why="the search for the likeliest network came to no end")
    vector, covariance = solved
    if not task.track.history.has_sun:
        vector[SUN] = covariance[SUN, :] = covariance[:, SUN] = 0.0
    return NetworkFit(
        at_coordinates(vector),
        as_covariance(covariance),
        hours,
        *noise,
        ok=True,
        why=f"{hours:.0f} h of history, {len(task.starts[0])} starts",
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Task:
    """What is to be made small: errors on a track, and the distance from the prior."""

    track: Track
    middle: FloatArray
    whiten: FloatArray
    """Prior deviations times this are of variance one and independent, shape (8, 8)."""
    sd: FloatArray
    starts: tuple[IntArray, ...]
    """For each horizon."""

    def errors_k(self, vector: FloatArray) -> list[FloatArray]:
        """For each horizon, errors of slab and room, shape (2, number of starts) [K]."""
        ahead: Predictor = predictor(self.track, at_coordinates(vector))
        return [
            ahead.errors_k(starts, self.track.steps(hours))
            for hours, starts in zip(HORIZONS_H, self.starts, strict=True)
        ]

    def residuals(self, vector: FloatArray, spread_k: FloatArray) -> FloatArray:
        """Errors in units of their usual size, weighed, then the distance from the prior."""
        parts = [self.whiten @ (vector - self.middle)]
        for errors, spread, hours in zip(self.errors_k(vector), spread_k, HORIZONS_H, strict=True):
            scaled = np.nan_to_num(errors / spread[:, np.newaxis])
            parts.append(np.sqrt(_weight(hours)) * _tempered(scaled).ravel())
        return np.concatenate(parts)

    def spread_k(self, vector: FloatArray) -> FloatArray:
        """Usual size of the errors at each horizon of slab and room, shape (horizons, 2) [K]."""
        return np.array(
            [[_usual_k(errors[SLAB]), _usual_k(errors[ROOM])] for errors in self.errors_k(vector)]
        )


def _weight(hours: float) -> float:
    """What one error counts for beside the others.

    Errors over spans that overlap are nearly one error, and so are those at several horizons
    from one start: all together count as one for each span of a horizon's length.
    """
    return min(1.0, START_EVERY_S / (hours * 3600.0)) / len(HORIZONS_H)


def _tempered(scaled: FloatArray) -> FloatArray:
    """Residuals whose squares grow as the errors' squares at first, then linearly (soft L1)."""
    return np.sign(scaled) * np.sqrt(2.0 * (np.sqrt(1.0 + scaled**2) - 1.0))


def _usual_k(errors: FloatArray) -> float:
    known = np.abs(errors[np.isfinite(errors)])
    return max(_LEAST_SPREAD_K, _NORMAL * float(np.median(known))) if len(known) else 1.0


def _noise_k(readings_c: FloatArray, track: Track, which: int) -> float:
    difference = readings_c - track.states[which]
    known = np.abs(difference[np.isfinite(difference)])
    return _NORMAL * float(np.median(known)) if len(known) else float("nan")


def _task(track: Track, prior: NetworkBelief) -> _Task:
    return _Task(
        track=track,
        middle=coordinates(prior.network),
        whiten=np.linalg.inv(np.linalg.cholesky(np.array(prior.covariance))),
        sd=prior.standard_deviations(),
        starts=tuple(track.starts(hours, every_s=START_EVERY_S) for hours in HORIZONS_H),
    )


def _solve(task: _Task) -> tuple[FloatArray, FloatArray] | None:
    """The likeliest parameters, shape (8,), and their covariance (8, 8)."""
    low, high = task.middle - _REACH_SD * task.sd, task.middle + _REACH_SD * task.sd
    low[SUN] = -1e-6  # none is allowed, and a search must begin within its bounds
    vector, spread_k = task.middle, np.full((len(HORIZONS_H), 2), _FIRST_SPREAD_K)
    for _ in range(_ROUNDS):
        found = least_squares(
            task.residuals,
            vector,
            bounds=(low, high),
            x_scale=task.sd,
            max_nfev=_MOST_EVALUATIONS,
            kwargs={"spread_k": spread_k},
            ftol=1e-6,
            xtol=1e-6,
        )
        vector, spread_k = found.x, task.spread_k(found.x)
    if not (found.success and np.isfinite(found.jac).all()):
        return None
    return vector.copy(), np.linalg.inv(found.jac.T @ found.jac)

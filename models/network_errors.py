"""Multi-step errors of a network on history: what it would have said, against what came.

The protocol is that of `models.backtest`: starts roll over the whole history, each begins at the
smoothed slab and air of its start and is driven by the weather and the heat that really followed.
All starts are had from one path over the whole history: a network is linear, so the error made
at a path's beginning only fades, and gaps between starts do no harm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.backtest import START_EVERY_S
from models.series import FloatArray, History, IntArray, Series, prepare
from models.thermal_network import ROOM, Decays, Network, decays


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """Slab and room of a series, smoothed, with what drives them from each sample to the next.

    Parameters
    ----------
    history : History
        As `models.series.prepare` makes it.
    states : array, shape (2, n)
        Slab and room, smoothed over 20 minutes; NaN where unknown [°C].
    inputs : array, shape (4, n - 1)
        Heat [W], outdoor air [°C], irradiance [W/m2] and one, means over each step.
    undriven : array, shape (n + 1,)
        How many of the first k samples lack heat, outdoor air or (where measured) sun.
    """

    history: History
    states: FloatArray
    inputs: FloatArray
    undriven: IntArray

    def starts(self, hours: float, *, every_s: float, reach_back_s: float = 0.0) -> IntArray:
        """Samples from which slab and all else is known, and all but the slab ``hours`` on."""
        starts = self.history.starts(
            before=math.ceil(reach_back_s / self.history.step_s) + 1,
            after=self.steps(hours),
            every=max(1, round(every_s / self.history.step_s)),
        )
        return np.asarray(starts[np.isfinite(self.states[:, starts]).all(axis=0)])

    def steps(self, hours: float) -> int:
        """How many samples there are to so many hours."""
        return round(hours * 3600.0 / self.history.step_s)


@dataclass(frozen=True, slots=True, eq=False)
class Predictor:
    """A network's predictions from any sample of a track to any later one."""

    track: Track
    apart: Decays
    path: FloatArray

    def states_c(self, starts: IntArray, steps: int | IntArray) -> FloatArray:
        """Slab and room ``steps`` samples after each start, shape (2, number of starts) [°C]."""
        departure = self.apart.unshape @ self.track.states[:, starts] - self.path[:, starts]
        kept = self.apart.kept[:, np.newaxis] ** steps
        return np.asarray(self.apart.shape @ (self.path[:, starts + steps] + kept * departure))

    def errors_k(self, starts: IntArray, steps: int) -> FloatArray:
        """Predicted minus actual slab and room, shape (2, number of starts) [K]."""
        return self.states_c(starts, steps) - self.track.states[:, starts + steps]


def track_of(series: Series) -> Track:
    """Smooth slab and air alike, bridge short gaps and mark the longer ones."""
    history = prepare(series)
    slab = prepare(replace(series, air_c=series.slab_c))
    driven = prepare(replace(series, air_c=np.zeros_like(series.air_c)))
    states = np.stack((_known(slab), _known(history)))
    inputs = np.stack(
        (
            history.power_w[:-1],
            _means(history.outdoor_c),
            _means(history.sun_w_m2),
            np.ones(max(0, len(history) - 1)),
        )
    )
    return Track(history, states, inputs, driven.unknown)


def predictor(track: Track, network: Network) -> Predictor:
    """A network set to predict over a track."""
    apart = decays(network, track.history.step_s)
    return Predictor(track, apart, apart.driven(track.inputs))


def network_errors_by_horizon(
    series: Series, network: Network, horizons_h: Sequence[int], *, reach_back_s: float = 0.0
) -> dict[int, FloatArray]:
    """Predicted minus actual room air at each horizon, smoothed over 20 minutes [K].

    Parameters
    ----------
    series : Series
    network : Network
    horizons_h : sequence of int
        Hours ahead.
    reach_back_s : float
        Time that must be known before each start: give a first-order model's dead time to have
        the very starts of its `models.backtest.errors_by_horizon`, less those without a slab
        temperature [s].

    Returns
    -------
    dict of int to array
        One error for each start; empty where there is none.
    """
    track = track_of(series)
    ahead = predictor(track, network)
    return {
        hours: ahead.errors_k(
            track.starts(hours, every_s=START_EVERY_S, reach_back_s=reach_back_s),
            track.steps(hours),
        )[ROOM]
        for hours in horizons_h
    }


def _known(history: History) -> FloatArray:
    return np.where(np.diff(history.unknown) == 0, history.air_c, np.nan)


def _means(values: FloatArray) -> FloatArray:
    """Mean over each step from its two ends, shape (n - 1,)."""
    return np.asarray(0.5 * (values[:-1] + values[1:]))

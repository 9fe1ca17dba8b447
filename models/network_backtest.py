"""Multi-step errors of a network on history, from states that an observer finds on the way.

From every start the network is driven by the weather and the heat that really followed, so the
errors are those of the network and its state, not the forecast's. All starts and horizons come
from one pass: with the path that the network takes from anywhere, undisturbed, only the state's
deviation from that path has to be tracked, and it moves by itself:

    d[k] = (I - K C) A d[k-1] + K y[k],        error h steps on = C A^h d[k] - y[k+h]

with y the readings less the path and K the observer's steady gain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.network_record import Record, Run, Seen, record_of
from models.observer import (
    Noise,
    first_sd,
    first_state,
    noise_of,
    steady_gain,
    step_covariance,
)
from models.series import FloatArray, IntArray, Series
from models.thermal_network import Discrete, Network, discrete, follow_mode, modes, recur

STEP_S = 1800.0
"""Step of fits and backtests [s]."""

WARM_S = 24 * 3600.0
"""Time that the observer is given before errors count [s]; half of it in less than four days, and
in history with so many gaps that none is left otherwise."""

EVERY_S = 3600.0
"""Time between two starts [s]."""

_BEGIN_S = (
    12 * 3600.0
)  # readings that settle the state at a span's beginning; no shorter span counts


@dataclass(frozen=True, slots=True, eq=False)
class Tracked:
    """A network led along a record.

    Parameters
    ----------
    step : Discrete
    added : array, shape (n, n)
        Covariance that a step adds to the state.
    path_c : array, shape (masses, N)
        Temperatures of the undisturbed path [°C].
    deviation : array, shape (N, n)
        State less that path, once the readings of each sample are taken in.
    air_k, slab_k : array, shape (N,)
        Readings less the path; NaN where there are none [K].
    """

    step: Discrete
    added: FloatArray
    path_c: FloatArray
    deviation: FloatArray
    air_k: FloatArray
    slab_k: FloatArray

    def air_errors(self, starts: IntArray, steps: int) -> FloatArray:
        """Predicted less actual room air ``steps`` after each start [K]."""
        return self._errors(self.step.c_air, self.air_k, starts, steps)

    def slab_errors(self, starts: IntArray, steps: int) -> FloatArray:
        """Predicted less actual slab ``steps`` after each start, NaN where unknown [K]."""
        return self._errors(self.step.c_slab, self.slab_k, starts, steps)

    def _errors(
        self, row: FloatArray, reading: FloatArray, starts: IntArray, steps: int
    ) -> FloatArray:
        ahead = row @ np.linalg.matrix_power(self.step.a, steps)
        return np.asarray(self.deviation[starts] @ ahead - reading[starts + steps])


def errors_by_horizon(
    series: Series, network: Network, horizons_h: Sequence[int], *, noise: Noise | None = None
) -> dict[int, FloatArray]:
    """Predicted minus actual room air at each horizon, smoothed over 20 minutes [K].

    Parameters
    ----------
    series : Series
    network : Network
    horizons_h : sequence of int
        Hours ahead.
    noise : Noise, optional
        For the observer; that of `noise_of` where it is left out.

    Returns
    -------
    dict of int to array
        One error for each start at least a day (half a day in a short history) after the last
        break; empty where there is none.
    """
    record = record_of(series, step_s=STEP_S)
    tracked = track(record, network, noise or noise_of(network))
    return {
        hours: tracked.air_errors(starts_of(record, hours), steps_of(record, hours))
        for hours in horizons_h
    }


def steps_of(record: Record, hours: float) -> int:
    """Steps in so many hours, at least one."""
    return max(1, round(hours * 3600.0 / record.step_s))


def starts_of(record: Record, hours: float, *, since: int = 0) -> IntArray:
    """Samples from ``since`` on from which errors this far ahead count."""
    steps, every = steps_of(record, hours), max(1, round(EVERY_S / record.step_s))

    def after(warm_s: float) -> IntArray:
        warm = round(warm_s / record.step_s)
        return record.starts(warm=warm, steps=steps, every=every, since=since)

    short = len(record) * record.step_s < 4 * 86400.0
    found = after((0.5 if short else 1.0) * WARM_S)
    return found if len(found) else after(0.5 * WARM_S)


def track(record: Record, network: Network, noise: Noise) -> Tracked:
    """Lead a network along a record with the observer's steady gain."""
    step = discrete(network, record.step_s)
    added = step_covariance(network, noise, record.step_s)
    path_c = undisturbed_path(record, network)
    air_k = record.air_c - path_c[1]
    slab_k = record.slab_c - path_c[0] - step.slab_heat_k_w * record.inputs[0]
    tracked = Tracked(step, added, path_c, np.zeros((len(record), len(added))), air_k, slab_k)
    leader = _Leader(tracked, noise, begin_steps=steps_of(record, _BEGIN_S / 3600.0))
    for span in record.spans():
        first = span[0].first
        if span[-1].end - first <= leader.begin_steps:
            continue
        guess = first_state(network, record, first=first)
        guess[: network.masses] -= path_c[:, first]
        leader.lead(span, leader.begin(span, guess, first_sd(network, noise)))
    return tracked


def undisturbed_path(record: Record, network: Network) -> FloatArray:
    """Temperatures from 0 °C at the first sample, driven by the inputs alone, (masses, N)."""
    apart = modes(network, record.step_s)
    driven = apart.drive[:, :-1] @ record.inputs[:, :-1]
    path = [follow_mode(decay, line) for decay, line in zip(apart.decay, driven, strict=True)]
    return np.asarray(apart.shape @ np.array(path))


class _Leader:
    """Fills in the deviations of one `Tracked`, run by run."""

    def __init__(self, tracked: Tracked, noise: Noise, *, begin_steps: int) -> None:
        self.begin_steps = begin_steps
        self._tracked = tracked
        self._noise = noise
        self._rows = np.stack((tracked.step.c_air, tracked.step.c_slab))
        self._readings = np.stack((tracked.air_k, tracked.slab_k))
        self._gains: dict[Seen, FloatArray] = {}

    def begin(self, span: Sequence[Run], guess: FloatArray, sd: FloatArray) -> FloatArray:
        """Deviation at the first sample that fits a guess and the first readings best."""
        first = span[0].first
        ahead = np.eye(len(guess))
        rows, values = [np.diag(1.0 / sd)], [guess / sd]
        weight = 1.0 / np.array([self._noise.air_k, self._noise.slab_k])
        for index in range(first, first + self.begin_steps):
            known = np.isfinite(self._readings[:, index])
            rows.append((weight[:, np.newaxis] * (self._rows @ ahead))[known])
            values.append((weight * self._readings[:, index])[known])
            ahead = self._tracked.step.a @ ahead
        found, *_ = np.linalg.lstsq(np.concatenate(rows), np.concatenate(values), rcond=None)
        return np.asarray(found)

    def lead(self, span: Sequence[Run], expected: FloatArray) -> None:
        """Follow the runs of a span from what is expected at its first sample."""
        for run in span:
            if run.seen is Seen.NOTHING:
                self._coast(run, expected)
            else:
                self._follow(run, expected)
            expected = self._tracked.step.a @ self._tracked.deviation[run.end - 1]

    def _coast(self, run: Run, expected: FloatArray) -> None:
        for index in range(run.first, run.end):
            self._tracked.deviation[index] = expected
            expected = self._tracked.step.a @ expected

    def _follow(self, run: Run, expected: FloatArray) -> None:
        gain = self._gain(run.seen)
        rows = self._rows[: run.seen.value]
        readings = self._readings[: run.seen.value, run.first : run.end]
        kept = np.eye(len(expected)) - gain @ rows
        pace, shape = np.linalg.eig(kept @ self._tracked.step.a)
        sources = gain @ readings
        sources[:, 0] = kept @ expected + sources[:, 0]
        apart = np.linalg.solve(shape, sources.astype(np.complex128))
        led = [recur(decay, line) for decay, line in zip(pace, apart, strict=True)]
        self._tracked.deviation[run.first : run.end] = (shape @ np.array(led)).real.T

    def _gain(self, seen: Seen) -> FloatArray:
        if seen not in self._gains:
            tracked = self._tracked
            self._gains[seen] = steady_gain(tracked.step, tracked.added, self._noise, seen)
        return self._gains[seen]

"""Multi-step errors on history: what a model would have said hours ahead, against what came.

Starts roll over the whole history. Each prediction begins at the smoothed air of its start and is
driven by the weather and the heat that really followed, so the errors are the model's own and
not the forecast's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from models.first_order import FirstOrder
from models.response import acting_w, follow, surroundings_c
from models.series import FloatArray, History, IntArray, Series, prepare

START_EVERY_S = 3600.0
"""Time between two starts [s]."""


def errors_by_horizon(
    series: Series, model: FirstOrder, horizons_h: Sequence[int]
) -> dict[int, FloatArray]:
    """Predicted minus actual room air at each horizon, smoothed over 20 minutes [K].

    Parameters
    ----------
    series : Series
    model : FirstOrder
    horizons_h : sequence of int
        Hours ahead.

    Returns
    -------
    dict of int to array
        One error for each start from which everything is known, a dead time back and the
        horizon on; empty where there is none.
    """
    history = prepare(series)
    path = undisturbed_path(history, model)
    starts = _starts(history, horizons_h, model.dead_time_s)
    return {
        hours: step_errors(history, model, path, starts[hours], _steps(history, hours))
        for hours in horizons_h
    }


def persistence_errors(
    series: Series, horizons_h: Sequence[int], *, reach_back_s: float = 0.0
) -> dict[int, FloatArray]:
    """Errors of saying that the air stays as it is [K], as a measure for any model.

    ``reach_back_s`` is the time that must be known before each start: give a model's dead time
    to have the very starts of that model's `errors_by_horizon` [s].
    """
    history = prepare(series)
    starts = _starts(history, horizons_h, reach_back_s)
    return {
        hours: history.air_c[starts[hours]] - history.air_c[starts[hours] + _steps(history, hours)]
        for hours in horizons_h
    }


def undisturbed_path(history: History, model: FirstOrder) -> FloatArray:
    """Air over the whole history from any beginning, shape (n,) [°C].

    Only its rises between two samples are used, and for those the beginning cancels out.
    """
    acting = acting_w(model, heat_w=history.power_w, pending_w=np.zeros(0), slot_s=history.step_s)[
        :-1
    ]
    outdoor, sun = _means(history.outdoor_c), _means(history.sun_w_m2)
    goal = surroundings_c(model, outdoor_c=outdoor, sun_w_m2=sun, count=len(acting))
    goal = goal + model.gain_k_per_w * acting
    return follow(model, start_c=0.0, goal_c=goal, slot_s=history.step_s)


def step_errors(
    history: History, model: FirstOrder, path: FloatArray, starts: IntArray, steps: int
) -> FloatArray:
    """Predicted minus actual air ``steps`` samples after each start, given the path [K]."""
    decay = math.exp(-steps * history.step_s / model.time_constant_s)
    predicted = path[starts + steps] + decay * (history.air_c[starts] - path[starts])
    return np.asarray(predicted - history.air_c[starts + steps])


def _starts(
    history: History, horizons_h: Sequence[int], reach_back_s: float
) -> Mapping[int, IntArray]:
    every = max(1, round(START_EVERY_S / history.step_s))
    before = math.ceil(reach_back_s / history.step_s) + 1
    return {
        hours: history.starts(before=before, after=_steps(history, hours), every=every)
        for hours in horizons_h
    }


def _steps(history: History, hours: float) -> int:
    return round(hours * 3600.0 / history.step_s)


def _means(values: FloatArray) -> FloatArray:
    """Mean over each step from its two ends, shape (n - 1,)."""
    return np.asarray(0.5 * (values[:-1] + values[1:]))

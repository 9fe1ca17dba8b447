"""Whether a building has changed under its owner: new insulation, a door left off."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from controller.planning.history import FloatArray
from models.drift import LEAST_REFERENCE, Drift, daily_loss, find_drift
from models.network_backtest import starts_of, steps_of, track
from models.network_record import Record
from models.observer import Noise
from models.thermal_network import Network

AHEAD_H = 48
"""Predictions this far ahead are compared: over two days a changed loss stands out of the noise."""
RECENT_DAYS = 10
"""Days at the end of the history that are asked whether they still go on as those before."""
LEAST_DAYS = 6
"""Days that a change must have lasted: a spell of odd weather looks like one for less [d]."""
SURE_SD = 3.0
"""Standard errors that it must come to [-]."""
_STEP = 0.1
"""Change of the loss, as a logarithm, by which predictions are probed [-]."""
DAY_S = 86_400.0


def drift_of(record: Record, network: Network, noise: Noise) -> Drift | None:
    """A lasting change of the room's heat loss within the last days, None where there is none."""
    starts = starts_of(record, AHEAD_H)
    day = (starts * record.step_s + AHEAD_H * 3600.0) // DAY_S
    reference = int(len(record) * record.step_s // DAY_S) - RECENT_DAYS
    if reference < LEAST_REFERENCE or len(starts) == 0:
        return None
    errors_k = _errors_k(record, network, noise)
    moved_k = _errors_k(record, _with_loss(network, math.exp(_STEP)), noise)
    days = daily_loss(errors_k, (moved_k - errors_k) / _STEP, day.astype(np.int64))
    try:
        drift = find_drift(days, reference=reference)
    except ValueError:  # too few of the reference days say anything of the loss
        return None
    if drift is None or len(days.shift) - drift.since < LEAST_DAYS:
        return None
    return drift if abs(drift.shift) > SURE_SD * drift.shift_sd else None


def drift_sentence(drift: Drift, *, start_s: float) -> str:
    """What an owner is told of it; ``start_s`` is when the history begins (UTC seconds)."""
    percent = 100.0 * abs(math.expm1(drift.shift))
    since = datetime.fromtimestamp(start_s + drift.since * DAY_S, UTC)
    more_or_less = "more" if drift.grows else "less"
    likely = "a door or hatch left open?" if drift.grows else "new insulation?"
    return (
        f"Since about {since:%d %B} the room loses some {percent:.0f} % {more_or_less} heat than "
        f"before ({likely})"
    )


def _errors_k(record: Record, network: Network, noise: Noise) -> FloatArray:
    tracked = track(record, network, noise)
    return tracked.air_errors(starts_of(record, AHEAD_H), steps_of(record, AHEAD_H))


def _with_loss(network: Network, times: float) -> Network:
    return replace(
        network,
        room_outdoor_w_k=network.room_outdoor_w_k * times,
        third_outdoor_w_k=network.third_outdoor_w_k * times,
    )

"""Which model a room's history bears: first-order response, two masses, or three.

Each rung is fitted to the first part of the history and judged by its errors hours ahead on the
rest. A rung is climbed only where it is clearly better, so that a short or dull history keeps
the simpler model.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from models.backtest import errors_by_horizon
from models.day_one import Prior
from models.network_backtest import STEP_S, starts_of, steps_of, track
from models.network_fit import NetworkFit, fit_record
from models.network_prior import NetworkPrior
from models.network_record import Record, record_of
from models.response_fit import Fit, fit
from models.series import FloatArray, Series
from models.thermal_network import Kind

FIRST_ORDER = "first_order"
HELD_BACK = 0.25
"""Share of the history, its end, that rungs are judged on and not fitted to [-]."""
JUDGED_H = (6, 12, 24)
"""Horizons whose rms errors are averaged [h]."""
LEAST_STARTS = 12
"""Starts that a horizon needs on held-back history to count."""
CLEARLY = 0.98
"""A rung is climbed where it has at most this share of the error of the one below [-]."""


@dataclass(frozen=True, slots=True)
class Grown:
    """What the history bears.

    Parameters
    ----------
    rung : str
        ``first_order`` or a `Kind`.
    first_order : Fit
        The first-order response, fitted to the whole history: the fallback on every rung.
    network : NetworkFit, optional
        The network of that rung, fitted to the whole history; None on the first.
    error_k : mapping of str to float
        Error of each rung on held-back history [K]; NaN where it could not be judged.
    """

    rung: str
    first_order: Fit
    network: NetworkFit | None
    error_k: Mapping[str, float]


def grow(series: Series, *, first_order: Prior, network: NetworkPrior) -> Grown:
    """Fit every rung, judge each on held-back history, and fit the best to all of it.

    Parameters
    ----------
    series : Series
    first_order : Prior
    network : NetworkPrior
        Both from the building's description.
    """
    count = len(series.air_c)
    cut = round((1.0 - HELD_BACK) * count)
    early = fit(_part(series, 0, cut), first_order)
    later = errors_by_horizon(_part(series, cut, count), early.model, JUDGED_H)
    error_k = {FIRST_ORDER: _score_k(later) if early.ok else float("nan")}
    record = record_of(series, step_s=STEP_S)
    for kind in Kind:
        error_k[kind.value] = _network_score_k(record, network, kind)
    rung = _climbed(error_k)
    learnt = None if rung == FIRST_ORDER else fit_record(record, network.belief(Kind(rung)))
    return Grown(rung, fit(series, first_order), learnt, error_k)


def _climbed(error_k: Mapping[str, float]) -> str:
    rung, best_k = FIRST_ORDER, error_k[FIRST_ORDER]
    for name, found_k in error_k.items():
        if np.isfinite(found_k) and not found_k > CLEARLY * best_k:
            rung, best_k = name, found_k
    return rung


def _network_score_k(record: Record, prior: NetworkPrior, kind: Kind) -> float:
    cut = round((1.0 - HELD_BACK) * len(record))
    early = fit_record(record.first(cut), prior.belief(kind))
    if not early.ok:
        return float("nan")
    tracked = track(record, early.network, early.noise)
    return _score_k(
        {
            hours: tracked.air_errors(starts_of(record, hours, since=cut), steps_of(record, hours))
            for hours in JUDGED_H
        }
    )


def _score_k(errors: Mapping[int, FloatArray]) -> float:
    known = [found for found in errors.values() if len(found) >= LEAST_STARTS]
    return float(np.mean([np.sqrt(np.mean(each**2)) for each in known])) if known else float("nan")


def _part(series: Series, first: int, end: int) -> Series:
    return replace(
        series,
        start_s=series.start_s + first * series.step_s,
        air_c=series.air_c[first:end],
        slab_c=series.slab_c[first:end],
        outdoor_c=series.outdoor_c[first:end],
        power_w=series.power_w[first:end],
        sun_w_m2=series.sun_w_m2[first:end],
    )

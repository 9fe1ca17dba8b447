"""How far a response's predictions are off, beside what could be said without any model."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from controller.planning.acting import with_acting
from controller.planning.history import STEP_S, FloatArray, Grid, Source, zone_series
from controller.planning.parameters import MODEL, response_of
from controller.planning.patchy_sun import without_patchy_sun
from controller.planning.score_lack import lack_of
from controller.records.imported import imported_id, with_imported
from controller.records.plan import ParameterSet
from controller.records.sessions import Session
from controller.records.site import Role, Site, Zone
from models import backtest, network_backtest
from models.persistence import yesterday_errors
from models.series import Series

HORIZONS_H = (1, 6, 12, 24)
"""Horizons that are told [h]."""
SPAN_S = 60 * 86400.0
"""History that is looked at, the latest there is [s]."""
UNSEEN_LEAST_S = 4 * 86400.0
"""So much history after the one learnt from is judged by itself [s]."""
LAST_PART = 0.25
"""Share of the history, its end, that is judged where there is less of that [-]."""


class NothingToScoreError(Exception):
    """There is no history to hold predictions against; the message says what is missing."""


@dataclass(frozen=True, slots=True)
class Errors:
    """Predicted less actual room air at one horizon: rms and mean [K], and of how many starts."""

    rms_k: float
    bias_k: float
    count: int


@dataclass(frozen=True, slots=True)
class Score:
    """A response's errors by horizon [h], and those of two sayings that need no model.

    Attributes
    ----------
    parameter_set : str
    start_s, end_s : float
        The history judged on [UTC s].
    unseen : bool
        Whether the response was learnt without it.
    sun_left_out : bool
        Whether irradiance was measured, but so seldom that it is not taken in.
    response, stays, yesterday : mapping of int to Errors
        Of the response, of *it stays as it is*, of *as yesterday at that time*. A horizon without
        any start is left out.
    """

    parameter_set: str
    start_s: float
    end_s: float
    unseen: bool
    sun_left_out: bool
    response: Mapping[int, Errors]
    stays: Mapping[int, Errors]
    yesterday: Mapping[int, Errors]


def score(
    source: Source,
    site: Site,
    parameter_set: ParameterSet,
    *,
    last_s: float,
    sessions: Sequence[Session] = (),
) -> Score:
    """Judge a zone's response on its latest history.

    Parameters
    ----------
    source : Source
    site : Site
    parameter_set : ParameterSet
    last_s : float
        When room air was measured last [UTC s].
    sessions : sequence of Session
        Those of the history: people were in then.

    Raises
    ------
    NothingToScoreError
        Where no start has everything known before and after it.
    ValueError
        Where the set cannot be read.
    """
    zone = site.zone(parameter_set.zone)
    history = latest_history(source, site, zone, last_s=last_s)
    measured = with_acting(history, source, with_imported(site), zone, sessions)
    series = without_patchy_sun(measured)
    tried = [
        (part, unseen, _errors(score_of(parameter_set, part)))
        for part, unseen in _judged_parts(series, parameter_set)
    ]
    # the best part that is long enough for as many horizons as any of them
    judged, unseen, response = max(tried, key=lambda one: len(one[2]))
    if not response:
        raise NothingToScoreError(lack_of(series, needed_s=_needed_s(parameter_set)))
    before_s = _before_s(parameter_set)
    stays = backtest.persistence_errors(judged, HORIZONS_H, reach_back_s=before_s)
    yesterday = yesterday_errors(judged, HORIZONS_H, reach_back_s=before_s)
    return Score(
        parameter_set=parameter_set.id,
        start_s=judged.start_s,
        end_s=judged.start_s + len(judged.air_c) * judged.step_s,
        unseen=unseen,
        sun_left_out=series is not measured,
        response=response,
        stays=_errors(stays),
        yesterday=_errors(yesterday),
    )


def score_of(parameter_set: ParameterSet, series: Series) -> dict[int, FloatArray]:
    """Errors of a stored response at ``HORIZONS_H``, predicted less actual room air [K].

    Raises
    ------
    ValueError
        Where the set cannot be read.
    """
    if parameter_set.model == MODEL:
        model = response_of(parameter_set).model
        return backtest.errors_by_horizon(series, model, HORIZONS_H)
    from controller.planning.network_parameters import network_of

    return network_backtest.errors_by_horizon(series, network_of(parameter_set), HORIZONS_H)


def latest_history(source: Source, site: Site, zone: Zone, *, last_s: float) -> Series:
    """A zone's last two months up to a moment, measured and imported alike."""
    end_s = (np.floor(last_s / STEP_S) + 1.0) * STEP_S
    grid = Grid.before(float(end_s), span_s=SPAN_S, step_s=STEP_S)
    series = zone_series(source, with_imported(site), zone, grid)
    known = np.flatnonzero(np.isfinite(series.air_c))
    return series.part(int(known[0]), int(known[-1]) + 1) if known.size else series.part(0, 0)


def air_sensors(site: Site, zone: Zone) -> tuple[str, ...]:
    """Ids under which a zone's air is stored: the time of the latest is where history ends."""
    fitted = [s.id for s in site.sensors if s.role is Role.AIR and s.subject == zone.id]
    return (*fitted, imported_id(Role.AIR, zone.id))


def _judged_parts(series: Series, parameter_set: ParameterSet) -> Iterator[tuple[Series, bool]]:
    """The histories to judge on, the best first, and whether the response was learnt without them.

    A response that was never learnt has seen nothing; one learnt long ago is judged on what came
    since. Otherwise the last part stands for the days to come, though it was learnt from too; or,
    where that is too short or has too many gaps for all horizons, the whole.
    """
    if parameter_set.span_end_s is None:
        yield series, True
        return
    count = len(series.air_c)
    learnt = round((parameter_set.span_end_s - series.start_s) / series.step_s)
    begin = min(max(learnt, 0), count)
    if (count - begin) * series.step_s >= UNSEEN_LEAST_S:
        yield series.part(begin, count), True
    yield series.part(round((1.0 - LAST_PART) * count), count), False
    yield series, False


def _needed_s(parameter_set: ParameterSet) -> float:
    """Shortest history without a gap on which a response can be judged [s]."""
    return _before_s(parameter_set) + 3600.0 * min(HORIZONS_H)


def _before_s(parameter_set: ParameterSet) -> float:
    """Time that must be known before a prediction begins [s]."""
    if parameter_set.model == MODEL:
        return response_of(parameter_set).model.dead_time_s + 2.0 * STEP_S
    return 0.5 * network_backtest.WARM_S + network_backtest.STEP_S


def _errors(by_horizon: Mapping[int, FloatArray]) -> dict[int, Errors]:
    return {
        hours: Errors(
            rms_k=float(np.sqrt(np.mean(np.square(found)))),
            bias_k=float(np.mean(found)),
            count=int(found.size),
        )
        for hours, found in by_horizon.items()
        if found.size
    }

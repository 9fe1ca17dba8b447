"""Learning: fit every zone's response to its history, and take it only where it predicts better."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from controller.planning.acting import with_acting
from controller.planning.describe import heat_share, zone_prior
from controller.planning.drift_notice import drift_of, drift_sentence
from controller.planning.history import STEP_S, Grid, Source, zone_series
from controller.planning.learn_network import Outcome, learn_network
from controller.planning.network_parameters import (
    DOUBTED,
    Known,
    known_network,
    network_values,
    prior_of,
)
from controller.planning.parameters import (
    MODEL,
    RESIDUAL_H,
    day_one_set,
    response_of,
    set_in_force,
    values_of,
)
from controller.planning.patchy_sun import without_patchy_sun
from controller.records.errands import LearnAnswer, LearnErrand, Learnt
from controller.records.imported import with_imported
from controller.records.plan import ParameterSet, ParameterSource, Value
from controller.records.site import Site, Zone
from models.backtest import errors_by_horizon
from models.day_one import Prior
from models.first_order import FirstOrder
from models.network_backtest import STEP_S as FIT_STEP_S
from models.network_record import record_of
from models.response_fit import Fit, fit
from models.series import Series

SPAN_S = 60 * 86400.0
"""History that a fit looks at: the cost of a fit must not grow with the age of the store [s]."""
HELD_BACK = 0.25
"""Share of the history, its end, that candidates are judged on and not fitted to [-]."""
JUDGED_H = (6, 12, 24)
"""Horizons whose rms errors are averaged for the judgement [h]."""
LEAST_STARTS = 12
"""Starts, one an hour, that a horizon needs on held-back history to count."""
LEAST_HISTORY_H = 60.0
"""Unbroken history that the judged fit must rest on [h]."""
LEAST_HEAT_H = 3.0
"""Hours of full heat that it must have seen: an unheated room says nothing of its floor [h]."""
LEAST_SHARE = 0.05
"""Share of the heater's rating that the heat must exceed at times: a smaller one is no heater's
power in watts [-]."""
THOROUGH_S = 6.5 * 86400.0
"""How often the first-order response and every kind of network are fitted anew [s]."""
TRIED_ALL = "tried_all_s"
"""When all was fitted anew, kept with the values (UTC seconds)."""
PHYSICAL_SD = 3.0
"""How far a learnt value may lie from the description's, in the prior's standard deviations."""


def learn(errand: LearnErrand, source: Source) -> LearnAnswer:
    """Fit each zone's response and say for each which set to use from now on, and why.

    Parameters
    ----------
    errand : LearnErrand
    source : Source
        History up to ``errand.now_s``.

    Returns
    -------
    LearnAnswer
        One outcome for each zone of the site, in its order.
    """
    return LearnAnswer(tuple(_learn_zone(errand, source, zone) for zone in errand.site.zones))


@dataclass(frozen=True, slots=True)
class _Judgement:
    """Rms errors on held-back history by horizon in hours [K], and their mean over JUDGED_H."""

    rms_k: Mapping[int, float]
    score_k: float


def _learn_zone(errand: LearnErrand, source: Source, zone: Zone) -> Learnt:
    """The first-order response at times, the network each time; one set holds both."""
    stored = set_in_force(zone, errand.parameter_sets)
    in_force = stored or day_one_set(errand.site, zone, now_s=errand.now_s)
    series = without_patchy_sun(_known_part(_history(errand, source, zone)))
    # one that was tried while the clock was ahead would put off the next for years
    thorough = not 0.0 <= errand.now_s - tried_all_s(in_force) < THOROUGH_S
    response = _learn_response(errand, zone, series, in_force) if thorough else None
    known = known_network(errand.site, zone, stored)
    outcome = _learn_network(errand, zone, series, known, thorough=thorough)
    drift = _drift(series, known)
    learnt = _joined(errand, zone, series, in_force, response=response, outcome=outcome)
    if learnt is not None and thorough:
        tried = {**learnt.values, TRIED_ALL: Value(errand.now_s, 0.0)}
        learnt = replace(learnt, values=tried)
    if learnt is None:
        origin = "The description's values" if stored is None else f"Set {in_force.id}"
        return Learnt(in_force, stored is None, f"{origin} hold: {outcome.why}.", drift)
    if outcome.found is None:
        why = f"The fallback's first-order response is new; {outcome.why}."
        return Learnt(learnt, True, why, drift)
    return Learnt(learnt, True, f"Learnt from history: it predicts better ({outcome.why}).", drift)


def _learn_network(
    errand: LearnErrand, zone: Zone, series: Series, known: Known, *, thorough: bool
) -> Outcome:
    if lack := _too_little_heat(series) or _too_weak_heat(errand.site, zone, series):
        return Outcome(None, lack, {})
    record = record_of(series, step_s=FIT_STEP_S)
    return learn_network(record, prior_of(errand.site, zone), known, thorough=thorough)


def _drift(series: Series, known: Known) -> str | None:
    """A sentence where the building has changed of late."""
    drift = drift_of(record_of(series, step_s=FIT_STEP_S), known.network, known.noise)
    return None if drift is None else drift_sentence(drift, start_s=series.start_s)


def _joined(
    errand: LearnErrand,
    zone: Zone,
    series: Series,
    in_force: ParameterSet,
    *,
    response: tuple[Fit, _Judgement] | None,
    outcome: Outcome,
) -> ParameterSet | None:
    """The set in force with what is new in it; None where nothing is."""
    if response is None and outcome.found is None:
        return None
    made = datetime.fromtimestamp(errand.now_s, UTC)
    values, model = dict(in_force.values), in_force.model
    error_k = dict(in_force.error_k or {})
    if response is not None:
        fit, judgement = response
        ours = (TRIED_ALL, "network_")
        kept = {name: v for name, v in values.items() if name.startswith(ours)}
        values = {**values_of(fit.belief, _residual_k(judgement)), **kept}
        if model == MODEL:
            error_k = {str(hours): rms for hours, rms in judgement.rms_k.items()}
    if (found := outcome.found) is not None:
        values = {name: v for name, v in values.items() if not name.startswith("network_")}
        values |= network_values(found.belief, found.noise)
        values |= {DOUBTED: Value(1.0, 0.0)} if outcome.doubted else {}
        model = found.network.kind.value
        error_k = {str(hours): rms for hours, rms in outcome.error_k.items()}
    return ParameterSet(
        id=f"{zone.id}-{made:%Y%m%dT%H%M%SZ}",
        zone=zone.id,
        model=model,
        source=ParameterSource.HISTORY,
        made_s=errand.now_s,
        values=values,
        span_start_s=series.start_s,
        span_end_s=series.start_s + len(series.air_c) * series.step_s,
        error_k=error_k,
    )


def tried_all_s(parameter_set: ParameterSet) -> float:
    """When all was last fitted anew for a set (UTC seconds); -inf for never."""
    tried = parameter_set.values.get(TRIED_ALL)
    return tried.value if tried is not None else -math.inf


def _learn_response(
    errand: LearnErrand, zone: Zone, series: Series, in_force: ParameterSet
) -> tuple[Fit, _Judgement] | None:
    """A first-order response that predicts better than the one in force; None where none does."""
    prior = zone_prior(zone, latitude_deg=errand.site.latitude_deg)
    candidate = fit(_part(series, 0.0, 1.0 - HELD_BACK), prior)
    if _lack(candidate, errand.site, zone, series):
        return None
    held_back = _part(series, 1.0 - HELD_BACK, 1.0)
    new = _judge(held_back, candidate.model)
    old = _judge(held_back, response_of(in_force).model)
    if new is None or old is None or new.score_k >= old.score_k:
        return None
    final = fit(series, prior)
    return (final, new) if final.ok and is_physical(final.model, prior) else None


def is_physical(model: FirstOrder, prior: Prior) -> bool:
    """Whether a response lies within the range that the description leaves open."""
    mean = prior.mean
    ratios = np.log(
        [
            model.time_constant_s / mean.time_constant_s,
            model.gain_k_per_w / mean.gain_k_per_w,
            max(model.dead_time_s, 1.0) / max(mean.dead_time_s, 1.0),
        ]
    )
    scaled = np.abs(ratios) <= PHYSICAL_SD * np.array(prior.log_sd)
    shifted_k = abs(model.offset_k - mean.offset_k)
    return bool(scaled.all()) and shifted_k <= PHYSICAL_SD * prior.offset_sd_k


def _history(errand: LearnErrand, source: Source, zone: Zone) -> Series:
    end_s = np.floor(errand.now_s / STEP_S) * STEP_S
    grid = Grid.before(float(end_s), span_s=SPAN_S, step_s=STEP_S)
    site = with_imported(errand.site)
    measured = zone_series(source, site, zone, grid)
    return with_acting(measured, source, site, zone, errand.held)


def _known_part(series: Series) -> Series:
    """From the first to the last sample with room air: shares of it are shares of history."""
    known = np.flatnonzero(np.isfinite(series.air_c))
    if known.size == 0:
        return series.part(0, 1)
    return series.part(int(known[0]), int(known[-1]) + 1)


def _part(series: Series, begin: float, end: float) -> Series:
    count = len(series.air_c)
    return series.part(round(begin * count), round(end * count))


def _lack(candidate: Fit, site: Site, zone: Zone, series: Series) -> str | None:
    """What keeps a fit from being judged at all; None where nothing does."""
    if not candidate.ok:
        return candidate.why
    if candidate.usable_hours < LEAST_HISTORY_H:
        return f"{candidate.usable_hours:.0f} h of history to fit, {LEAST_HISTORY_H:.0f} h needed"
    return _too_little_heat(series) or _too_weak_heat(site, zone, series)


def _too_little_heat(series: Series) -> str | None:
    """An unheated room says nothing of its floor; None where there was heat enough."""
    fitted_w = np.nan_to_num(_part(series, 0.0, 1.0 - HELD_BACK).power_w)
    full_w = float(fitted_w.max(initial=0.0))
    heat_h = float(fitted_w.sum()) / full_w * series.step_s / 3600.0 if full_w > 0 else 0.0
    if heat_h < LEAST_HEAT_H:
        return f"{heat_h:.1f} h of heat in the history, {LEAST_HEAT_H:.0f} h needed"
    return None


def _too_weak_heat(site: Site, zone: Zone, series: Series) -> str | None:
    """Heat that is next to nothing beside the heater's rating is told in another unit."""
    rated_w = sum(heat_share(site, h, zone) * h.rating_w for h in site.heaters)
    most_w = float(np.nan_to_num(series.power_w).max(initial=0.0))
    if most_w >= LEAST_SHARE * rated_w:
        return None
    return (
        f"the heat in the history never exceeds {most_w:.3g} W, where the heater gives "
        f"{rated_w:.0f} W: is its unit right, and the heater's rating_w?"
    )


def _judge(held_back: Series, model: FirstOrder) -> _Judgement | None:
    errors = errors_by_horizon(held_back, model, RESIDUAL_H)
    rms_k = {
        hours: float(np.sqrt(np.mean(found**2)))
        for hours, found in errors.items()
        if found.size >= LEAST_STARTS
    }
    judged = [rms_k[hours] for hours in JUDGED_H if hours in rms_k]
    return _Judgement(rms_k, float(np.mean(judged))) if judged else None


def _residual_k(judgement: _Judgement) -> tuple[float, ...]:
    """Rms error at every horizon; one that could not be measured takes the nearest that was."""
    known_h = sorted(judgement.rms_k)
    known_k = [judgement.rms_k[hours] for hours in known_h]
    return tuple(float(np.interp(hours, known_h, known_k)) for hours in RESIDUAL_H)

"""Learning a zone's network: fitted to most of its history, judged on the rest, then to all.

Where no network within the description explains a history, and one far outside of it does, it is
the description that is doubted: its owner mistook the insulation, or the log is another building's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from controller.planning.network_parameters import (
    DOUBT_TIMES,
    FIRST_KIND,
    Known,
    begin_of,
    unphysical,
)
from models.network_backtest import starts_of, steps_of, track
from models.network_fit import NetworkFit, fit_record
from models.network_prior import NetworkPrior
from models.network_record import Record
from models.observer import Noise
from models.series import FloatArray
from models.thermal_network import Kind, Network

HELD_BACK = 0.25
"""Share of the history, its end, that networks are judged on and not fitted to [-]."""
JUDGED_H = (6, 12, 24)
"""Horizons whose rms errors are averaged for the judgement [h]."""
KEPT_H = (1, 6, 12, 24)
"""Horizons whose rms errors are kept [h]."""
LEAST_STARTS = 12
"""Starts, one an hour, that a horizon needs on held-back history to count."""
SEEN = 1.1
"""The set in force was fitted to most of the held-back history, a new one was not: it may be this
much worse there without being worse ahead [-]."""
BETTER = 0.995
"""A network fitted on takes over where it has less than this share of the error before [-]."""
TOO_LITTLE = (
    "too little to judge a fit on: the last quarter of the history needs half a day and more "
    "without a gap in outdoor air and heat, and room air hours later"
)
CLEARLY = 0.97
"""A kind of network is left for one that has at most this share of its error [-]."""
UNEXPLAINED_K = 1.0
"""Rms error on the very history that a network was fitted to above which it explains little of it:
twice what is usual of simulated workshops with doors, people and unseen sun (chosen here) [K]."""
DOUBT_AFTER_S = 4 * 86400.0
"""Shorter histories say too little against a description (chosen here) [s]."""
EXPLAINED = 0.6
"""Share of that error which a network far from the description must stay below to be believed:
heat that nobody measured makes both as bad [-]."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What learning found: a fit to use from now on, or None and why not.

    ``error_k`` holds the rms errors by horizon in hours on held-back history [K]; ``doubted`` says
    whether the fit was made against the description.
    """

    found: NetworkFit | None
    why: str
    error_k: Mapping[int, float]
    doubted: bool = False


def learn_network(
    record: Record, prior: NetworkPrior, in_force: Known, *, thorough: bool
) -> Outcome:
    """Fit anew and take it only where it predicts as well on history it has not seen.

    Parameters
    ----------
    record : Record
        The zone's history.
    prior : NetworkPrior
        What its description says.
    in_force : Known
    thorough : bool
        Whether every kind of network is tried, not only the one in force.
    """
    cut = round((1.0 - HELD_BACK) * len(record))
    tried = _tried(record, prior, in_force, cut) if thorough else None
    if tried and tried.found:
        return tried
    held_to = prior.widened(DOUBT_TIMES) if in_force.doubted else prior
    return replace(_refreshed(record, held_to, in_force, cut), doubted=in_force.doubted)


def _tried(record: Record, prior: NetworkPrior, in_force: Known, cut: int) -> Outcome:
    """The best of all kinds within the description, or far outside where only that explains."""
    described = _best_of_kinds(record, prior, in_force, cut)
    described_k = _unexplained_k(record, described.found or in_force)
    explained = not UNEXPLAINED_K < described_k < float("inf")
    if explained or len(record) * record.step_s < DOUBT_AFTER_S:
        return described
    against = _best_of_kinds(record, prior.widened(DOUBT_TIMES), in_force, cut)
    if against.found is None:
        return described
    against_k = _unexplained_k(record, against.found)
    if not against_k < EXPLAINED * described_k:
        return described
    why = (
        f"{against.why}; against the building's description, with which this history is explained "
        f"to {described_k:.1f} K, without it to {against_k:.1f} K: check it in the site file"
    )
    return replace(against, why=why, doubted=True)


def _unexplained_k(record: Record, fit: NetworkFit | Known) -> float:
    """Mean rms error over the whole history, 6 to 24 h ahead [K]."""
    return score_k(_errors_of(record, fit.network, fit.noise, 0))


def _refreshed(record: Record, prior: NetworkPrior, in_force: Known, cut: int) -> Outcome:
    """The network in force fitted on to the newest history; both have seen nearly all of it."""
    now_k = _errors_of(record, in_force.network, in_force.noise, cut)
    found = _fitted(record, prior, in_force, in_force.network.kind)
    if fault := _fault(found, prior):
        return Outcome(None, fault, now_k)
    new = _errors_k(record, found, cut)
    if not _judged(new):
        return Outcome(None, TOO_LITTLE, now_k)
    if not score_k(new) < BETTER * score_k(now_k):
        return Outcome(None, f"a new fit predicts no better ({_told(new, now_k)})", now_k)
    # errors on history that a fit has seen flatter it: those of the last thorough trial stay
    return Outcome(found, _told(new, now_k), in_force.error_k)


def _told(new: Mapping[int, float], now: Mapping[int, float]) -> str:
    return (
        f"held-back history, 6 to 24 h ahead: {score_k(new):.2f} K rms, {score_k(now):.2f} K before"
    )


def _best_of_kinds(record: Record, prior: NetworkPrior, in_force: Known, cut: int) -> Outcome:
    """Every kind fitted to all but the held-back part, judged there, the best fitted to all."""
    early_record = record.first(cut)
    early = {kind: _fitted(early_record, prior, in_force, kind) for kind in Kind}
    faults = {kind: _fault(fit, prior) for kind, fit in early.items()}
    errors = {kind: _errors_k(record, early[kind], cut) for kind in Kind if not faults[kind]}
    now_k = _errors_of(record, in_force.network, in_force.noise, cut)
    if not any(map(_judged, errors.values())) or not _judged(now_k):
        why = next(filter(None, faults.values()), TOO_LITTLE) if not errors else TOO_LITTLE
        return Outcome(None, why, now_k)
    kind = _best({kind: score_k(found) for kind, found in errors.items()}, in_force.network.kind)
    told = _told(errors[kind], now_k)
    if score_k(errors[kind]) > SEEN * score_k(now_k):
        return Outcome(None, f"a new fit predicts no better ({told})", now_k)
    final = _fitted(record, prior, in_force, kind, near=early[kind].network)
    if fault := _fault(final, prior):
        return Outcome(None, fault, now_k)
    return Outcome(final, told, errors[kind])


def _fault(fit: NetworkFit, prior: NetworkPrior) -> str | None:
    """Why a fit cannot be used at all, None where it can."""
    if not fit.ok:
        return fit.why
    fault = unphysical(fit.network, prior)
    return fault and f"a new fit is no such building: {fault}"


def score_k(errors_k: Mapping[int, float]) -> float:
    """Mean of the rms errors that count [K]; inf where none is known."""
    known = [errors_k[hours] for hours in JUDGED_H if hours in errors_k]
    return float(np.mean(known)) if known else float("inf")


def _fitted(
    record: Record, prior: NetworkPrior, known: Known, kind: Kind, near: Network | None = None
) -> NetworkFit:
    belief = prior.belief(kind)
    if near is None and known.network.kind is kind:
        near = begin_of(known, belief)
    return fit_record(record, belief, begin=near)


def _errors_k(record: Record, fit: NetworkFit, since: int) -> dict[int, float]:
    return _errors_of(record, fit.network, fit.noise, since)


def _errors_of(record: Record, network: Network, noise: Noise, since: int) -> dict[int, float]:
    """Rms errors from ``since`` on by horizon, where there are enough of them [K]."""
    tracked = track(record, network, noise)
    found: dict[int, FloatArray] = {
        hours: tracked.air_errors(starts_of(record, hours, since=since), steps_of(record, hours))
        for hours in KEPT_H
    }
    return {
        hours: float(np.sqrt(np.mean(each**2)))
        for hours, each in found.items()
        if len(each) >= LEAST_STARTS
    }


def _judged(errors_k: Mapping[int, float]) -> bool:
    return bool(np.isfinite(score_k(errors_k)))


def _best(scores_k: Mapping[Kind, float], in_force: Kind) -> Kind:
    """The kind in force, or the first, unless another is clearly better."""
    usual = in_force if in_force in scores_k else FIRST_KIND
    best = min(scores_k, key=lambda kind: scores_k[kind])
    if usual not in scores_k or scores_k[best] <= CLEARLY * scores_k[usual]:
        return best
    return usual

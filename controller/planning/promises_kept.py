"""What promises have lacked by the sessions they were made to, and how that puts new ones right."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from controller.planning.held_sessions import FARTHEST_K, found_at_start
from controller.planning.history import FloatArray, Source
from controller.planning.zone_state import SENSOR_SD_K
from controller.records.plan import Arrival
from controller.records.sessions import Session
from controller.records.site import Heater, Site, Zone

PROMISED_S = 12 * 3600.0
"""A promise counts as it stood this long before its session [s]."""
DOUBT = 4
"""Promises taken to have been kept exactly, before any session [-]."""
OFFSET_K = SENSOR_SD_K * NormalDist().inv_cdf(0.9)
"""Half of the interval in which the room lies about what its sensor says: an offset that no session
held shows, for they are found by the same sensor [K]."""
LEAST_HALF_K = 0.02
"""No half width is taken to be less, so that none divides by nothing [K]."""
COVERED = 0.8
"""Share of sessions that the interval of a promise should hold [-]."""
_ABSURD = 1e6
"""Far beyond every temperature and every widening that a promise was ever made with."""
_SUPPOSED = np.array(
    [abs(NormalDist().inv_cdf(0.1 * k)) / NormalDist().inv_cdf(0.9) for k in range(1, 10)]
)
"""Distances in half widths of nine promises whose intervals are right."""


@dataclass(frozen=True, slots=True)
class Correction:
    """What promises lack, by the sessions they were made to.

    ``air_k`` is to be added to the expected air [K], ``widening`` to be multiplied into the
    half widths of its interval [-]. What the sensor's own offset leaves open comes on top.
    """

    air_k: float = 0.0
    widening: float = 1.0

    def of(self, arrival: Arrival) -> Arrival:
        """An arrival put right; the correction stands beside it."""
        air_c = arrival.air_c + self.air_k
        return replace(
            arrival,
            air_c=air_c,
            low_c=air_c - math.hypot(self.widening * (arrival.air_c - arrival.low_c), OFFSET_K),
            high_c=air_c + math.hypot(self.widening * (arrival.high_c - arrival.air_c), OFFSET_K),
            learnt_k=self.air_k,
            widened=self.widening,
        )


UNCORRECTED = Correction()


def correction(
    source: Source, site: Site, heater: Heater, zone: Zone, held: Sequence[Session], *, now_s: float
) -> Correction:
    """What the promises made 12 h before the sessions already held have lacked.

    Parameters
    ----------
    source : Source
    site : Site
    heater : Heater
        Whose plans made the promises.
    zone : Zone
    held : sequence of Session
        By start; those of other zones, and those not yet begun for ten minutes, are left out.
    now_s : float
        UTC seconds.

    Notes
    -----
    The mean of what was missed, drawn towards nothing while sessions are few. Then how far each
    session was found from what those before it had led to expect, in half widths, those of
    `_SUPPOSED` among them: the least of these that holds the next one with the chance `COVERED`,
    as in split conformal prediction (Papadopoulos, Proedrou, Vovk and Gammerman, ECML 2002).
    """
    missed_k, below_k, above_k = _kept(source, site, heater, zone, held, now_s=now_s)
    if not len(missed_k):
        return UNCORRECTED
    learnt_k = _learnt_k(missed_k)
    left_k = missed_k - learnt_k[:-1]
    distances = np.abs(left_k) / np.where(left_k < 0.0, below_k, above_k)
    return Correction(float(learnt_k[-1]), _holding(np.concatenate((distances, _SUPPOSED))))


def _learnt_k(missed_k: FloatArray) -> FloatArray:
    """What was known of the mean before each session and after the last, (sessions + 1,) [K]."""
    bounded_k = np.clip(missed_k, -FARTHEST_K, FARTHEST_K)
    sums_k = np.concatenate(([0.0], np.cumsum(bounded_k)))
    return np.asarray(sums_k / (DOUBT + np.arange(len(sums_k))))


def _holding(distances: FloatArray) -> float:
    """The distance that one more of the same kind stays within with the chance `COVERED`."""
    rank = math.ceil(COVERED * (len(distances) + 1))
    return float(np.sort(distances)[min(rank, len(distances)) - 1])


def _kept(
    source: Source, site: Site, heater: Heater, zone: Zone, held: Sequence[Session], *, now_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How far sessions were found from their uncorrected promises, and the half widths [K]."""
    kept = []
    for session, found_c in found_at_start(source, site, zone, held, now_s=now_s):
        told = source.promised(heater.id, session.id, session.start_s - PROMISED_S)
        if told is None or not _is_sound(told):
            continue
        off_k = found_c - (told.air_c - told.learnt_k)
        below_k = _own_half_k(told.air_c - told.low_c, told.widened)
        above_k = _own_half_k(told.high_c - told.air_c, told.widened)
        kept.append((off_k, below_k, above_k))
    missed_k, below, above = np.array(kept, dtype=np.float64).reshape(-1, 3).T
    return missed_k, below, above


def _is_sound(told: Arrival) -> bool:
    """Whether numbers can be learnt from: one damaged row must not end planning."""
    numbers = (told.air_c, told.low_c, told.high_c, told.learnt_k)
    return all(abs(number) < _ABSURD for number in numbers) and 0.0 < told.widened < _ABSURD


def _own_half_k(told_k: float, widened: float) -> float:
    """The half width that the planner itself gave a promise, as `Correction.of` found it [K]."""
    return max(math.sqrt(max(told_k**2 - OFFSET_K**2, 0.0)) / widened, LEAST_HALF_K)

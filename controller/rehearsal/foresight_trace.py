"""A heat plan carried out on the simulated workshop: on and off by the minute, and what came of it.

The workshop on which foresight plans has the true weather, sun and people, and instead of its doors
their mean: when a door will open is more than perfect foresight of the weather would tell.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.records.sessions import Session
from controller.rehearsal.foresight_linear import Boiler
from controller.rehearsal.sunlight import DAY_S
from controller.rehearsal.surroundings import Day, Surroundings
from controller.rehearsal.workshop import Workshop

Floats = NDArray[np.float64]

MINUTE_S = 60.0
DAY_MINUTES = 1440
COMING_MINUTES = 15
_WITHIN, _AWAY = 2 * COMING_MINUTES, 2 * COMING_MINUTES + 1


class EvenDoors(Surroundings):
    """The same surroundings with each zone's doors ajar by their mean.

    Means are taken apart for each minute of the quarter of an hour after sessions begin and after
    they end, when people come and go, for the rest of sessions, and for all other time.

    Parameters
    ----------
    true : Surroundings
    sessions : sequence of Session
    days : range
        UTC days since 1970 over which the means are taken.
    """

    def __init__(self, true: Surroundings, sessions: Sequence[Session], days: range) -> None:
        self._true = true
        self._sessions = tuple(sessions)
        self._days = {number: true.day(number) for number in days}
        self._means = [self._mean_by_moment(zone) for zone in range(len(true.zone_ids))]
        self._evened: dict[int, Day] = {}

    def day(self, number: int) -> Day:
        """The UTC day that starts ``number`` days after 1970-01-01, its doors evened out."""
        if number not in self._evened:
            self._evened[number] = self._even(number)
        return self._evened[number]

    def _even(self, number: int) -> Day:
        day = self._days.get(number) or self._true.day(number)
        zones = tuple(
            dataclasses.replace(zone_day, door=mean[self._moments(number, zone)].tolist())
            for zone, (zone_day, mean) in enumerate(zip(day.zones, self._means, strict=True))
        )
        return dataclasses.replace(day, zones=zones)

    def _moments(self, number: int, zone: int) -> NDArray[np.intp]:
        """Which mean holds in each minute of a day, shape (1440,)."""
        times_s = number * DAY_S + MINUTE_S * np.arange(DAY_MINUTES)
        moments = np.full(DAY_MINUTES, _AWAY)
        for session in self._sessions:
            if session.zone == self._true.zone_ids[zone]:
                begun = np.floor((times_s - session.start_s) / MINUTE_S).astype(np.intp)
                ended = np.floor((times_s - session.end_s) / MINUTE_S).astype(np.intp)
                moments[(begun >= 0) & (ended < 0)] = _WITHIN
                for since, first in ((begun, 0), (ended, COMING_MINUTES)):
                    just = (since >= 0) & (since < COMING_MINUTES)
                    moments[just] = first + since[just]
        return moments

    def _mean_by_moment(self, zone: int) -> Floats:
        """Mean opening of a zone's doors [-]; 0 for moments that no day holds."""
        doors = np.concatenate([day.zones[zone].door for day in self._days.values()])
        moments = np.concatenate([self._moments(number, zone) for number in self._days])
        opened = np.bincount(moments, weights=doors, minlength=_AWAY + 1)
        return np.asarray(opened / np.maximum(1, np.bincount(moments, minlength=_AWAY + 1)))


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """What a plan did, by the minute.

    Attributes
    ----------
    air_c, surface_c, core_c : array, shape (M + 1, zones)
        At the minutes' borders [°C].
    against_c : array, shape (M + 1,)
        Temperature against which the boiler heats [°C].
    element_w : array, shape (M,)
    on : array of bool, shape (M,)
    """

    air_c: Floats
    surface_c: Floats
    core_c: Floats
    against_c: Floats
    element_w: Floats
    on: NDArray[np.bool_]

    def slot_means_w(self, slot_minutes: int) -> Floats:
        """Mean heat of each slot, shape (N,) [W]."""
        means: Floats = self.element_w.reshape(-1, slot_minutes).mean(axis=1)
        return means


def carry_out(workshop: Workshop, plan_w: Floats, *, slot_minutes: int, boiler: Boiler) -> Trace:
    """Give a plan's heat to a workshop, slot by slot, as a relay can: on by whole minutes.

    What a slot did not get is carried on, at most a minute of full heat: more is what the boiler's
    thermostat held back, and comes too late afterwards.
    """
    minutes = len(plan_w) * slot_minutes
    states = np.empty((minutes + 1, len(boiler.row)))
    element_w, on = np.zeros(minutes), np.zeros(minutes, dtype=bool)
    minute_j = workshop.heater.rating_w * MINUTE_S
    owed_j = 0.0
    for minute in range(minutes):
        slot, into = divmod(minute, slot_minutes)
        if into == 0:
            owed_j = min(max(owed_j, -minute_j), minute_j)
            owed_j += float(plan_w[slot]) * slot_minutes * MINUTE_S
        states[minute] = workshop.temperatures_c()
        on[minute] = owed_j > 0.5 * minute_j
        workshop.advance(MINUTE_S, bool(on[minute]))
        element_w[minute] = workshop.element_w
        owed_j -= workshop.element_w * MINUTE_S
    states[minutes] = workshop.temperatures_c()
    zones = workshop.structure.zones
    return Trace(
        air_c=states[:, [nodes.air for nodes in zones]],
        surface_c=states[:, [nodes.surface for nodes in zones]],
        core_c=states[:, [nodes.slab_core for nodes in zones]],
        against_c=states @ boiler.row,
        element_w=element_w,
        on=on,
    )

"""Perfect foresight: the least energy with which the sessions could have been served.

A linear programme on the simulated building itself, over the whole season at once. Weather, sun and
people are known, of doors their mean alone. The building is nearly linear: the programme takes
the course under the last plan and the linear response to changes of it, the new plan is carried
out, and again until the two agree. It keeps to the limits of the service; where it must miss one,
or a session, it tells.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from controller.rehearsal.building import Building, BuildingError
from controller.rehearsal.controller_driver import Rehearsed
from controller.rehearsal.foresight_linear import boiler_of, climate, linearised
from controller.rehearsal.foresight_programme import Known, Planned, Row, least_heat, response_of
from controller.rehearsal.foresight_trace import MINUTE_S, EvenDoors, Trace, carry_out
from controller.rehearsal.foresight_watches import courses_of, watches, worst
from controller.rehearsal.runner import Span
from controller.rehearsal.sunlight import DAY_S
from controller.rehearsal.workshop import Workshop

Floats = NDArray[np.float64]

FORESIGHT_NAME = "perfect foresight"
WEAKER = 0.85
"""Sessions count that this share of the heater's rating can make ready."""
SLOT_MINUTES = 30
MEMORY_DAYS = 14.0
"""For how long heat counts within one programme; what is left then is in the next one's course."""
SURE_K = 0.05
"""Aimed at above ready, about what the courses of plan and building differ by."""
AGREED_K = 0.05
"""How far room air at a session's start may be from what was planned [K]."""
TOLERATED_K = 0.15
"""How far anything else may pass its bound beyond what was planned before it counts [K]."""
_MOST_PROGRAMMES = 6
_NEAR_K = 1.5
"""A limit gets a row once a course has come so near to it."""
_NEAR_OUTPUT = 1.1
"""A slot gets a row for the thermostat where less than so many times the rating goes through."""


@dataclass(frozen=True, slots=True, eq=False)
class Foresight:
    """A Driver that repeats what was found to be best.

    Attributes
    ----------
    start_s : float
    on : array of bool, shape (M,)
        By the minute.
    ready : frozenset of str
        Sessions that start ready with the doors' mean.
    missed : tuple of str
        What is not kept to, in sentences.
    heat_kwh : float
    """

    start_s: float
    on: NDArray[np.bool_]
    ready: frozenset[str]
    missed: tuple[str, ...]
    heat_kwh: float

    def heat(self, now_s: float, values: Mapping[str, float]) -> bool:
        """The command at this moment; off after the end."""
        minute = int((now_s - self.start_s) // MINUTE_S)
        return bool(0 <= minute < len(self.on) and self.on[minute])


def foresight(
    make_building: Callable[[], Building],
    rehearsed: Rehearsed,
    span: Span,
    progress: Callable[[float], None],
    *,
    share: float = 1.0,
) -> Foresight:
    """The least-energy heating of a span with ``share`` of the heater's true rating.

    Parameters
    ----------
    make_building : callable
        Makes the project's own `Workshop`, in the same first state at each call.
    rehearsed : Rehearsed
    span : Span
        Whole slots of half an hour count; what is left over at the end has no heat.
    progress : callable
        Told the share done [0..1].

    Raises
    ------
    BuildingError
        Where the building is not the project's own.
    NoProgramme
    """
    season = _Season(make_building, rehearsed, span)
    plan_w = np.zeros(season.slots)
    course = season.carried_out(plan_w)
    for number in range(_MOST_PROGRAMMES):
        planned = season.planned(course, share=share)
        course = season.carried_out(planned.heat_w)
        progress((number + 1) / _MOST_PROGRAMMES)
        if number and season.agree(course, planned):
            break
    progress(1.0)
    return season.told(course)


def reachable_sessions(
    make_building: Callable[[], Building],
    rehearsed: Rehearsed,
    span: Span,
    progress: Callable[[float], None],
) -> frozenset[str]:
    """Ids of the sessions that foresight makes ready with `WEAKER` of the heater."""
    return foresight(make_building, rehearsed, span, progress, share=WEAKER).ready


@dataclass(frozen=True, slots=True, eq=False)
class _Course:
    """What a plan led to, and each watch's worst minute in it."""

    trace: Trace
    heat_w: Floats
    rows: list[Row]


class _Season:
    """All that stays the same between the programmes; knows which limits have come near."""

    def __init__(
        self, make_building: Callable[[], Building], rehearsed: Rehearsed, span: Span
    ) -> None:
        self._make = make_building
        self._span = span
        self.slots = int((span.end_s - span.start_s) // (SLOT_MINUTES * MINUTE_S))
        workshop = self._workshop()
        days = range(int(span.start_s // DAY_S), int(-(-span.end_s // DAY_S)))
        self._doors = EvenDoors(workshop.surroundings, rehearsed.sessions, days)
        linear = linearised(workshop, climate(workshop, start_s=span.start_s, end_s=span.end_s))
        self._boiler = boiler_of(workshop, linear)
        self._response = response_of(
            linear, workshop.structure, self._boiler,
            slot_minutes=SLOT_MINUTES, memory_days=MEMORY_DAYS,
        )  # fmt: skip
        self._heater = workshop.heater
        self._zones = [nodes.zone.id for nodes in workshop.structure.zones]
        end_s = span.start_s + self.slots * SLOT_MINUTES * MINUTE_S
        whole = Span(span.start_s, end_s, span.tick_s)
        self._watches = watches(
            rehearsed.sessions, self._zones, rehearsed.limits, whole, sure_k=SURE_K
        )
        self._near = np.array([bool(watch.session) for watch in self._watches])
        self._bounded = np.zeros(self.slots, dtype=bool)

    def _workshop(self) -> Workshop:
        building = self._make()
        if not isinstance(building, Workshop):
            raise BuildingError("perfect foresight needs the project's own workshop to plan on")
        return building

    def carried_out(self, plan_w: Floats) -> _Course:
        """Carry a plan out on a new workshop with even doors."""
        workshop = self._workshop()
        workshop.meet(self._doors)
        trace = carry_out(workshop, plan_w, slot_minutes=SLOT_MINUTES, boiler=self._boiler)
        courses = courses_of(trace)
        rows = [Row(watch, *worst(watch, courses)) for watch in self._watches]
        return _Course(trace, trace.slot_means_w(SLOT_MINUTES), rows)

    def planned(self, course: _Course, *, share: float) -> Planned:
        """Plan anew around a course; what ever came near a limit has a row."""
        self._near |= [_beyond_k(row) > -_NEAR_K for row in course.rows]
        output_w = self._output_w(course)
        self._bounded |= output_w < _NEAR_OUTPUT * self._heater.rating_w
        known = Known(
            heat_w=course.heat_w,
            rows=[row for row, near in zip(course.rows, self._near, strict=True) if near],
            output_w=output_w,
            bounded=np.flatnonzero(self._bounded),
        )
        return least_heat(
            known, self._response, self._boiler, rating_w=share * self._heater.rating_w
        )

    def _output_w(self, course: _Course) -> Floats:
        """What the thermostat lets through in each slot: as it did, or as the balance has it."""
        limit_c, rating_w = self._heater.supply_limit_c, self._heater.rating_w
        against_c = course.trace.against_c[1:].reshape(self.slots, -1).mean(axis=1)
        output_w = (limit_c - against_c) * self._boiler.conductance_w_k
        throughout = course.trace.on.reshape(self.slots, -1).all(axis=1)
        held_back = throughout & (course.heat_w < 0.999 * rating_w)
        return np.where(held_back, course.heat_w, output_w)

    def agree(self, course: _Course, planned: Planned) -> bool:
        """Whether starts are as planned, and nothing is passed further than planned."""
        planned_c = np.array([row.value_c for row in course.rows])
        planned_c[self._near] = planned.values_c
        for row, value_c in zip(course.rows, planned_c.tolist(), strict=True):
            expected = replace(row, value_c=value_c)
            if row.watch.session and row.watch.first == row.watch.last:
                if abs(row.value_c - value_c) > AGREED_K:
                    return False
            elif _beyond_k(row) > max(0.0, _beyond_k(expected)) + TOLERATED_K:
                return False
        late = [row for row, near in zip(course.rows, self._near, strict=True) if not near]
        return not any(_beyond_k(row) > TOLERATED_K for row in late)

    def told(self, course: _Course) -> Foresight:
        """The driver of a course, with what it misses."""
        starts = [r for r in course.rows if r.watch.session and r.watch.first == r.watch.last]
        ready = frozenset(r.watch.session for r in starts if _beyond_k(r) <= SURE_K)
        return Foresight(
            start_s=self._span.start_s,
            on=course.trace.on,
            ready=ready,
            missed=tuple(_missed(course.rows)),
            heat_kwh=float(course.trace.element_w.sum()) * MINUTE_S / 3.6e6,
        )


def _beyond_k(row: Row) -> float:
    """How far a temperature is beyond its bound; below 0 where it keeps to it [K]."""
    apart_k = row.value_c - row.watch.bound_c
    return -apart_k if row.watch.lower else apart_k


def _missed(rows: Sequence[Row]) -> list[str]:
    """Sentences on what is not kept to; the margin `SURE_K` above ready is no part of it."""
    short_kh: dict[str, float] = {}
    passed_k: dict[str, float] = {}
    for row in rows:
        watch, beyond_k = row.watch, _beyond_k(row)
        if watch.session and beyond_k - SURE_K > TOLERATED_K:
            more_kh = (beyond_k - SURE_K) * watch.hours
            short_kh[watch.session] = short_kh.get(watch.session, 0.0) + more_kh
        elif not watch.session and beyond_k > TOLERATED_K:
            name = f"{watch.place.value} {'below' if watch.lower else 'above'} {watch.bound_c:g} °C"
            passed_k[name] = max(passed_k.get(name, 0.0), beyond_k)
    short = [f"session {session}: about {kh:.1f} K·h short" for session, kh in short_kh.items()]
    return short + [f"{name}: by {k:.1f} K at worst" for name, k in passed_k.items()]

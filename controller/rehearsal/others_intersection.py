"""Optimum start where cool-down and heat-up curves cross, fitted to this day's and the last's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from controller.records.sessions import Session
from controller.rehearsal.others_learning import (
    LEAST_RISE_K,
    LONGEST_LEAD_S,
    UNKNOWN_OUTDOOR_C,
    OptimumStart,
    Preheat,
)
from controller.rehearsal.others_method import Seen
from models.intersection_start import Approach, Stretch, fit_approach, start_s
from models.regressed_start import Setback

COOLING_FIT_S = 6 * 3600.0
"""Time between two fits of a cool-down that goes on [s]."""

READING_S = 900.0
"""Time between two readings of a curve, and between two looks at where the curves cross [s]."""

_LONGEST_CURVE = 96 * 4
"""Readings of one curve: four days."""

_SHORTEST_COOLING = 12 * 4
"""Readings of a cool-down without which its curve says little: half a day."""

# At first: 1 K/h and some more in a cold room, a room that keeps its warmth for some two days
# (common practice, no source). Goals are above outdoors.
_FIRST_HEATING = Approach(45.0, 40 * 3600.0)
_FIRST_COOLING = Approach(2.0, 40 * 3600.0)


@dataclass(slots=True)
class _Curve:
    """A curve while it is read."""

    heating: bool
    began_s: float
    times_s: list[float] = field(default_factory=list)
    air_c: list[float] = field(default_factory=list)
    outdoor_c: list[float] = field(default_factory=list)

    def read(self, now_s: float, air_c: float, outdoor_c: float) -> None:
        """Take one reading."""
        self.times_s.append(now_s - self.began_s)
        self.air_c.append(air_c)
        self.outdoor_c.append(outdoor_c)

    def stretch(self) -> Stretch:
        """What was read, above the mean of outdoors; a cool-down from its warmest reading on."""
        top = 0 if self.heating or not self.air_c else int(np.argmax(self.air_c))
        mean_c = float(np.mean(self.outdoor_c[top:])) if self.air_c else 0.0
        above_k = tuple(air_c - mean_c for air_c in self.air_c[top:])
        return Stretch(tuple(time_s - self.times_s[top] for time_s in self.times_s[top:]), above_k)


class _ZoneCurves:
    """The latest curves of one zone and what is fitted to them, goals above outdoors."""

    def __init__(self) -> None:
        self.heating, self.cooling = _FIRST_HEATING, _FIRST_COOLING
        self._past: dict[bool, list[Stretch]] = {True: [], False: []}
        self._open: _Curve | None = None
        self._next_s = 0.0
        self._cooling_fitted_s = -COOLING_FIT_S

    def read(self, now_s: float, air_c: float, outdoor_c: float, *, heating: bool) -> None:
        """Take one reading each quarter of an hour; a switching begins a new curve."""
        if self._open is None or self._open.heating != heating:
            self._close()
            self._open, self._next_s = _Curve(heating, now_s), now_s
        if now_s >= self._next_s and len(self._open.times_s) < _LONGEST_CURVE:
            self._open.read(now_s, air_c, outdoor_c)
            self._next_s = now_s + READING_S

    def fit_heating(self) -> None:
        """The heat-up that has just come to its target, with the one before it."""
        self._close()
        self.heating = fit_approach(self._past[True]) or self.heating

    def heated_otherwise(self) -> None:
        """A thermostat's heat at the target or against frost is on neither curve: it ends both."""
        self._close()

    def fit_cooling(self, now_s: float) -> None:
        """Fit the present cool-down as far as it got, with the one before it, now and then."""
        if now_s < self._cooling_fitted_s + COOLING_FIT_S:
            return
        self._cooling_fitted_s = now_s
        current = () if self._open is None or self._open.heating else (self._open.stretch(),)
        long = [
            each
            for each in (*self._past[False][-1:], *current)
            if len(each.times_s) >= _SHORTEST_COOLING
        ]
        self.cooling = fit_approach(long) or self.cooling

    def _close(self) -> None:
        """Keep the open curve as the last one of its kind, where it says something."""
        curve, self._open = self._open, None
        if curve is None or not curve.air_c:
            return
        if curve.heating and curve.air_c[-1] - curve.air_c[0] < LEAST_RISE_K:
            return
        if not curve.heating and len(curve.air_c) < _SHORTEST_COOLING:
            return
        self._past[curve.heating] = [*self._past[curve.heating][-1:], curve.stretch()]


class CurveIntersection(OptimumStart):
    """The published first-order method (1983): where cool-down and heat-up curves cross."""

    name = "optimum start, crossing curves"

    def prepare(self, zones: Sequence[str]) -> None:
        """Curves of an ordinary room, none read."""
        super().prepare(zones)
        self._curves = {zone: _ZoneCurves() for zone in zones}
        self._starts: dict[str, tuple[str, float, float]] = {}

    def watch(self, zone: str, seen: Seen, *, heating: bool) -> None:
        """Read the curve that the room is on."""
        if seen.air_c is None:
            return
        outdoor_c = UNKNOWN_OUTDOOR_C if seen.outdoor_c is None else seen.outdoor_c
        curves, preheating = self._curves[zone], zone in self._preheats
        if heating and not preheating:
            curves.heated_otherwise()
        else:
            curves.read(seen.now_s, seen.air_c, outdoor_c, heating=preheating)

    def is_due(self, session: Session, setback: Setback, now_s: float) -> bool:
        """Whether the curves have crossed, by their crossing as of the last quarter of an hour."""
        left_s = session.start_s - now_s
        if left_s > LONGEST_LEAD_S:
            return False
        known, start_at_s, looked_s = self._starts.get(session.zone, ("", 0.0, 0.0))
        if known != session.id or now_s >= looked_s + READING_S:
            start_at_s = now_s + self._wait_s(session, setback, now_s)
            self._starts[session.zone] = (session.id, start_at_s, now_s)
        return now_s >= start_at_s

    def _wait_s(self, session: Session, setback: Setback, now_s: float) -> float:
        """Time until the curves cross, the heat-up taken ``margin`` times as long [s]."""
        curves = self._curves[session.zone]
        curves.fit_cooling(now_s)
        return start_s(
            _above(setback.outdoor_c, curves.cooling),
            _above(setback.outdoor_c, curves.heating, slower=self.margin),
            air_c=setback.air_c,
            target_c=setback.target_c,
            until_s=max(0.0, session.start_s - now_s),
        )

    def learn(self, preheat: Preheat, *, seconds: float) -> None:
        """Fit the heat-up that has just ended and the one before it."""
        self._curves[preheat.session.zone].fit_heating()


def _above(outdoor_c: float, curve: Approach, *, slower: float = 1.0) -> Approach:
    """A curve with its goal in °C, its way taking ``slower`` times as long."""
    return Approach(curve.goal_c + outdoor_c, slower * curve.time_constant_s)

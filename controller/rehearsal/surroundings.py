"""What acts on the workshop from outside the heating: weather, sun, people, tools, doors.

Everything is laid out by the minute, a day at a time, and depends on the seed alone: every
heating method meets the same people and the same open doors.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.records.sessions import Session
from controller.records.site import Zone
from controller.rehearsal.sunlight import DAY_S, on_plane_w_m2
from controller.rehearsal.weather import Weather

Floats = NDArray[np.float64]

MINUTE_S = 60.0
_PERSON_W = 115.0
_GLASS_SHARE = 0.85
"""What frame, dirt and slanting light leave of a window's sun."""
_DOORS_PER_H = 1.0
_DOORS_PER_DAY_AWAY = 0.3


@dataclass(frozen=True, slots=True)
class Event:
    """A stretch of time with an amount: heat [W] or an open share [0..1]."""

    start_s: float
    end_s: float
    amount: float


@dataclass(frozen=True, slots=True)
class ZoneDay:
    """One zone's minutes of a day: sun through glass [W], people and tools [W], open share."""

    sun_w: list[float]
    gains_w: list[float]
    door: list[float]


@dataclass(frozen=True, slots=True)
class Day:
    """The minutes of one UTC day: lists of 1440 values."""

    outdoor_c: list[float]
    irradiance_w_m2: list[float]
    wind_m_s: list[float]
    zones: tuple[ZoneDay, ...]


class Surroundings:
    """Lays out days for the zones of one heater.

    Parameters
    ----------
    weather : Weather
    zones : sequence of Zone
    sessions : sequence of Session
        People come, work and open doors in these.
    seed : int
    """

    def __init__(
        self, weather: Weather, zones: Sequence[Zone], sessions: Sequence[Session], *, seed: int
    ) -> None:
        self._weather = weather
        self._zones = tuple(zones)
        self._sessions = tuple(sessions)
        self._seed = seed

    @property
    def zone_ids(self) -> tuple[str, ...]:
        """Ids of the zones, in the order in which a day holds them."""
        return tuple(zone.id for zone in self._zones)

    def day(self, number: int) -> Day:
        """The UTC day that starts ``number`` days after 1970-01-01.

        Raises
        ------
        WeatherError
            Where the weather does not hold that day.
        """
        times_s = number * DAY_S + np.arange(0.0, DAY_S, MINUTE_S)
        weather = self._weather.at(times_s)
        zones = tuple(
            self._zone_day(zone, number, times_s, weather.irradiance_w_m2) for zone in self._zones
        )
        return Day(
            outdoor_c=weather.outdoor_c.tolist(),
            irradiance_w_m2=weather.irradiance_w_m2.tolist(),
            wind_m_s=weather.wind_m_s.tolist(),
            zones=zones,
        )

    def _zone_day(self, zone: Zone, number: int, times_s: Floats, global_w_m2: Floats) -> ZoneDay:
        sun_w = self.through_glass_w(zone, times_s, global_w_m2)
        first_s, last_s = times_s[0] - DAY_S, times_s[-1] + DAY_S
        own = [s for s in self._sessions if s.zone == zone.id]
        near = [s for s in own if s.start_s < last_s and s.end_s > first_s]
        doors = self._doors_while_away(zone.id, number)
        for session in near:
            doors += self.doors(session)
        gains = [event for session in near for event in self.gains(session)]
        return ZoneDay(
            sun_w=sun_w.tolist(),
            gains_w=_by_minute(gains, times_s).tolist(),
            door=np.minimum(_by_minute(doors, times_s), 1.0).tolist(),
        )

    def through_glass_w(self, zone: Zone, times_s: Floats, global_w_m2: Floats) -> Floats:
        """Sun through a zone's glass for this irradiance on the level, shape (n,) [W]."""
        sun_w = np.zeros(len(times_s))
        for glass in zone.glazing:
            on_glass = on_plane_w_m2(
                times_s, global_w_m2, self._weather.station,
                azimuth_deg=glass.azimuth_deg, tilt_deg=glass.tilt_deg,
            )  # fmt: skip
            sun_w += glass.area_m2 * glass.g_value * _GLASS_SHARE * on_glass
        return sun_w

    def gains(self, session: Session) -> list[Event]:
        """Heat of people and tools in one session [W]."""
        rng = self._rng(session.zone, "gains", session.start_s)
        people = rng.integers(1, 4)
        events = [Event(session.start_s, session.end_s, float(people) * _PERSON_W)]
        at_s = session.start_s + rng.exponential(1200.0)
        while at_s < session.end_s:
            end_s = min(session.end_s, at_s + rng.uniform(180.0, 1500.0))
            events.append(Event(at_s, end_s, rng.uniform(200.0, 1400.0)))
            at_s = end_s + rng.exponential(1500.0)
        return events

    def doors(self, session: Session) -> list[Event]:
        """When a door stands open in one session: on coming and going, and now and then between."""
        rng = self._rng(session.zone, "doors", session.start_s)
        count = rng.poisson(_DOORS_PER_H * (session.end_s - session.start_s) / 3600.0)
        between = rng.uniform(session.start_s, session.end_s, size=count).tolist()
        return [_opening(rng, at_s) for at_s in [session.start_s, *between, session.end_s]]

    def _doors_while_away(self, zone: str, number: int) -> list[Event]:
        rng = self._rng(zone, "away", number)
        count = rng.poisson(_DOORS_PER_DAY_AWAY)
        times_s = number * DAY_S + rng.uniform(0.3, 0.9, size=count) * DAY_S
        return [_opening(rng, at_s) for at_s in times_s.tolist()]

    def _rng(self, zone: str, what: str, moment: float) -> np.random.Generator:
        words = zlib.crc32(f"{zone}/{what}".encode())
        return np.random.default_rng([self._seed, words, int(moment)])


def _opening(rng: np.random.Generator, at_s: float) -> Event:
    """A door opened for some minutes: two at the median, rarely ten."""
    length_s = float(np.clip(120.0 * rng.lognormal(0.0, 0.6), 30.0, 900.0))
    return Event(at_s, at_s + length_s, float(rng.uniform(0.5, 1.0)))


def _by_minute(events: Sequence[Event], times_s: Floats) -> Floats:
    """Mean amount in each minute; an event that covers half a minute counts half."""
    amount = np.zeros(len(times_s))
    for event in events:
        covered = np.minimum(times_s + MINUTE_S, event.end_s) - np.maximum(times_s, event.start_s)
        amount += event.amount * np.clip(covered, 0.0, None) / MINUTE_S
    return amount

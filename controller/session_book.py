"""The sessions that concern each heater, expanded now and then instead of at every tick."""

from __future__ import annotations

from controller.calendar import sessions
from controller.configuration import Configuration
from controller.records.instant import Instant
from controller.records.sessions import Session
from controller.records.site import Heater

BEHIND_S = 60 * 86400.0
"""Sessions that began so long ago still teach the planner's margin [s]."""
AHEAD_S = 9 * 86400.0
ANEW_S = 900.0


class SessionBook:
    """Running and coming sessions by heater, anew every quarter of an hour or when told."""

    def __init__(self) -> None:
        self._all: tuple[Session, ...] = ()
        self._configuration: Configuration | None = None
        self._from_s = 0.0

    def of(self, heater: Heater, configuration: Configuration, now: Instant) -> tuple[Session, ...]:
        """The sessions of a heater's zones that have not ended, by start."""
        self._expand(configuration, now)
        zones = {zone.id for zone in configuration.site.zones_of(heater)}
        return tuple(s for s in self._all if s.zone in zones and s.end_s > now.utc_s)

    def held(
        self, heater: Heater, configuration: Configuration, now: Instant
    ) -> tuple[Session, ...]:
        """The sessions of a heater's zones that have begun in the last weeks, by start."""
        self._expand(configuration, now)
        zones = {zone.id for zone in configuration.site.zones_of(heater)}
        return tuple(s for s in self._all if s.zone in zones and s.start_s <= now.utc_s)

    def _expand(self, configuration: Configuration, now: Instant) -> None:
        recent = 0.0 <= now.utc_s - self._from_s < ANEW_S
        if recent and configuration is self._configuration:
            return
        self._all = sessions(
            configuration.bookings,
            time_zone=configuration.site.time_zone,
            since_s=now.utc_s - BEHIND_S,
            until_s=now.utc_s + AHEAD_S,
        )
        # last: where that fails, those of an older file must not stand for it
        self._configuration, self._from_s = configuration, now.utc_s

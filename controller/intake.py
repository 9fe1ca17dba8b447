"""Readings on their way in: decoded, judged, offered to the tick, kept for the planner."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from controller.readings import LatestReadings
from controller.records.decision import Notice, NoticeKind
from controller.records.instant import Instant
from controller.records.limits import Limits
from controller.records.readings import Quality, Reading, RejectionCount, Sensed
from controller.records.site import Sensor, Site
from controller.sensors.decode import Message, decode_all

KEEP_S = 55.0
"""A sensor that sends more often than this is thinned for the store, not for the tick [s]."""
STORE_S = 60.0
"""Time between two batches to the store [s]."""
PENDING_MAX = 20_000
"""Readings kept back while the store fails; the oldest go first."""
RECENT_S = 3600.0
"""How long a rejection stays in the notices [s]."""


class MessageSource(Protocol):
    """Where raw messages come from."""

    def drain(self) -> Sequence[Message]:
        """The messages since the last call."""
        ...


class ReadingStore(Protocol):
    """Where readings and rejections are kept."""

    def add_readings(self, readings: Sequence[Reading]) -> None:
        """Keep readings, all or none."""
        ...

    def count_rejections(self, counts: Sequence[RejectionCount]) -> None:
        """Add to the counts of rejected payloads."""
        ...


class Intake:
    """The way of every reading into the service.

    Parameters
    ----------
    site : Site
    source : MessageSource
    """

    def __init__(self, site: Site, source: MessageSource) -> None:
        self._sensors = site.sensors
        self._source = source
        self._latest = LatestReadings(site)
        self._pending: list[Reading] = []
        self._kept_s: dict[str, float] = {}
        self._stored_mono_s = 0.0
        self._refused: dict[tuple[str, str], float] = {}

    def take(self, now: Instant, store: ReadingStore, *, at_once: bool) -> tuple[Notice, ...]:
        """Take in what has arrived; give a notice while payloads are being refused.

        Readings go to the store in batches, or ``at_once`` when the planner is about to look.

        Raises
        ------
        StoreFailed
            Where readings could not be stored. They count for this tick all the same, and are
            offered to the store again.
        """
        readings, rejected = decode_all(self._sensors, self._source.drain())
        for refused in rejected:
            self._latest.reject(
                refused.sensor, refused.reason, at_s=refused.at.utc_s, example=refused.example
            )
            self._refused[refused.sensor, refused.reason.value] = now.mono_s
        for reading in readings:
            judged = self._latest.add(reading)
            if judged is not None:
                self._keep(judged, now)
        if at_once or now.mono_s - self._stored_mono_s >= STORE_S:
            self._flush(now, store)
        return self._notices(now)

    def sensed(self, sensors: Iterable[Sensor], limits: Limits, now: Instant) -> tuple[Sensed, ...]:
        """What each sensor is good for at this moment."""
        return self._latest.sensed(sensors, now=now, limits=limits)

    def _keep(self, reading: Reading, now: Instant) -> None:
        if reading.quality is Quality.IMPLAUSIBLE:
            self._refused[reading.sensor, reading.quality.value] = now.mono_s
        elif abs(reading.measured_s - self._kept_s.get(reading.sensor, -KEEP_S)) < KEEP_S:
            return
        self._kept_s[reading.sensor] = reading.measured_s
        self._pending.append(reading)
        del self._pending[:-PENDING_MAX]

    def _flush(self, now: Instant, store: ReadingStore) -> None:
        store.add_readings(self._pending)
        self._pending = []
        self._stored_mono_s = now.mono_s
        store.count_rejections(self._latest.take_rejections())

    def _notices(self, now: Instant) -> tuple[Notice, ...]:
        self._refused = {
            key: mono_s for key, mono_s in self._refused.items() if now.mono_s - mono_s < RECENT_S
        }
        if not self._refused:
            return ()
        reasons = "; ".join(f"{sensor}: {reason}" for sensor, reason in sorted(self._refused))
        text = f"Readings were refused within the last hour ({reasons})."
        return (Notice(NoticeKind.READINGS_REJECTED, text, alarm=True),)

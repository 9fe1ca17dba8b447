"""Readings on their way in: decoded, judged, offered to the tick, kept for the planner."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Protocol

from controller.readings import LatestReadings
from controller.records.decision import Notice, NoticeKind
from controller.records.forecast import Forecast
from controller.records.instant import Instant
from controller.records.limits import Limits
from controller.records.readings import Quality, Reading, Rejection, RejectionCount, Sensed
from controller.records.site import FORECAST, Sensor, Site
from controller.sensors.decode import Message, Rejected, decode_all
from controller.sensors.decode_forecast import decode_forecast
from controller.sensors.losses import Losses
from controller.store.failures import StoreFailed

KEEP_S = 55.0
"""A sensor that sends more often than this is thinned for the store, not for the tick [s]."""
STORE_S = 60.0
"""Time between two batches to the store [s]."""
FORECAST_PAUSE_S = 600.0
"""Least time between two forecasts for the store, each of which asks for new plans [s]: whoever
sends without pause must fill neither the disk nor the planner's time."""
PENDING_MAX = 20_000
"""Readings kept back while the store fails; the oldest go first."""
BATCH_MAX = 2000
"""Most readings of one sensor in a batch: more than a day by the minute, sent at once."""
IMPLAUSIBLE_MAX = 20
"""Most implausible ones among them: all of a sensor that sends every three seconds. A flood of
them must not fill the disk."""
RECENT_S = 3600.0
"""How long a rejection stays in the notices [s]."""


class MessageSource(Protocol):
    """Where raw messages come from."""

    def drain(self) -> Sequence[Message]:
        """The messages since the last call."""
        ...

    def take_lost(self) -> Mapping[str, int]:
        """How many messages each topic has lost since the last call."""
        ...


class ReadingStore(Protocol):
    """Where readings and rejections are kept."""

    def add_readings(self, readings: Sequence[Reading]) -> None:
        """Keep readings, all or none."""
        ...

    def count_rejections(self, counts: Sequence[RejectionCount]) -> None:
        """Add to the counts of rejected payloads."""
        ...

    def add_forecast(self, forecast: Forecast) -> bool:
        """Keep a forecast; tell whether it says anything new."""
        ...


class Intake:
    """The way of every reading into the service.

    Parameters
    ----------
    site : Site
    source : MessageSource
    on_forecast : callable, optional
        Called when a new forecast has been stored.
    """

    def __init__(
        self, site: Site, source: MessageSource, *, on_forecast: Callable[[], None] | None = None
    ) -> None:
        self._sensors, self._feed = site.sensors, site.forecast
        self._source, self._on_forecast = source, on_forecast
        self._forecast: Forecast | None = None
        self._forecast_mono_s = -math.inf
        self._latest = LatestReadings(site)
        self._pending: list[Reading] = []
        self._kept_s: dict[str, float] = {}
        self._stored_mono_s = 0.0
        self._refused: dict[tuple[str, str], float] = {}
        self._losses = Losses()
        self._batch: Counter[tuple[str, bool]] = Counter()

    def take(self, now: Instant, store: ReadingStore, *, at_once: bool) -> tuple[Notice, ...]:
        """Take in what has arrived; give notices while payloads are being refused or lost.

        Readings go to the store in batches, or ``at_once`` when the planner is about to look.
        The latest forecast goes there at most every ``FORECAST_PAUSE_S``.

        Raises
        ------
        StoreFailed
            Where readings or a forecast could not be stored. Readings count for this tick all
            the same; both are offered to the store again.
        """
        messages = self._source.drain()
        readings, rejected = decode_all(self._sensors, messages)
        for refused in (*rejected, *self._hear_forecast(messages)):
            self._latest.reject(
                refused.sensor, refused.reason, at_s=refused.at.utc_s, example=refused.example
            )
            self._refused[refused.sensor, refused.reason.value] = now.mono_s
        self._note_lost(self._source.take_lost(), now)
        for reading in readings:
            judged = self._latest.add(reading)
            if judged is not None:
                self._keep(judged, now)
        if at_once or now.mono_s - self._stored_mono_s >= STORE_S:
            self.flush(now, store)
        if self._forecast is not None and now.mono_s - self._forecast_mono_s >= FORECAST_PAUSE_S:
            self._flush_forecast(self._forecast, now, store)
        return self._notices(now)

    def sensed(self, sensors: Iterable[Sensor], limits: Limits, now: Instant) -> tuple[Sensed, ...]:
        """What each sensor is good for at this moment."""
        return self._latest.sensed(sensors, now=now, limits=limits)

    def _hear_forecast(self, messages: Sequence[Message]) -> list[Rejected]:
        """Keep the last good forecast among the messages for the store; give the bad ones."""
        outcomes = [
            decode_forecast(self._feed, message)
            for message in messages
            if self._feed is not None and message.topic == self._feed.topic
        ]
        for outcome in outcomes:
            if isinstance(outcome, Forecast):
                self._forecast = outcome
        return [outcome for outcome in outcomes if isinstance(outcome, Rejected)]

    def _note_lost(self, by_topic: Mapping[str, int], now: Instant) -> None:
        """Put messages that were given up unread on the account of those who listen to them."""
        for sensor in self._sensors:
            self._lose(sensor.id, by_topic.get(sensor.topic, 0), now)
        if self._feed is not None:
            self._lose(FORECAST, by_topic.get(self._feed.topic, 0), now)

    def _lose(self, sensor: str, count: int, now: Instant) -> None:
        if count:
            reason = Rejection.LOST_UNDER_LOAD
            self._latest.reject(sensor, reason, at_s=now.utc_s, example="", count=count)
            self._losses.add(sensor, count, now)

    def _keep(self, reading: Reading, now: Instant) -> None:
        """Put a reading aside for the store, unless it comes too soon or there are too many."""
        implausible = reading.quality is Quality.IMPLAUSIBLE
        if implausible:
            self._refused[reading.sensor, reading.quality.value] = now.mono_s
        elif abs(reading.measured_s - self._kept_s.get(reading.sensor, -KEEP_S)) < KEEP_S:
            return
        if self._batch[reading.sensor, implausible] >= (
            IMPLAUSIBLE_MAX if implausible else BATCH_MAX
        ):
            self._lose(reading.sensor, 1, now)
            return
        self._batch[reading.sensor, implausible] += 1
        self._kept_s[reading.sensor] = reading.measured_s
        self._pending.append(reading)
        for oldest in self._pending[:-PENDING_MAX]:
            self._lose(oldest.sensor, 1, now)
        del self._pending[:-PENDING_MAX]

    def flush(self, now: Instant, store: ReadingStore) -> None:
        """Store what has been kept back since the last batch, and what was rejected or lost.

        Raises
        ------
        StoreFailed
            Where that cannot be stored; it is kept for another attempt.
        """
        self._batch.clear()
        store.add_readings(self._pending)
        self._pending = []
        self._stored_mono_s = now.mono_s
        counts = self._latest.take_rejections()
        try:
            store.count_rejections(counts)
        except StoreFailed:
            for c in counts:
                self._latest.reject(
                    c.sensor, c.reason, at_s=c.last_s, example=c.example, count=c.count
                )
            raise

    def _flush_forecast(self, forecast: Forecast, now: Instant, store: ReadingStore) -> None:
        """Store a forecast, after the readings that new plans start from beside it."""
        self.flush(now, store)
        is_news = store.add_forecast(forecast)
        self._forecast, self._forecast_mono_s = None, now.mono_s
        if is_news and self._on_forecast is not None:
            self._on_forecast()

    def _notices(self, now: Instant) -> tuple[Notice, ...]:
        self._refused = {
            key: mono_s for key, mono_s in self._refused.items() if now.mono_s - mono_s < RECENT_S
        }
        lost = self._losses.notices(now)
        if not self._refused:
            return lost
        reasons = "; ".join(f"{sensor}: {reason}" for sensor, reason in sorted(self._refused))
        text = f"Readings were refused within the last hour ({reasons})."
        return (Notice(NoticeKind.READINGS_REJECTED, text, alarm=True), *lost)

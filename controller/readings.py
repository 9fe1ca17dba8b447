"""The latest readings: judged when they come, and offered to the tick with their condition.

Readings that cannot be true are kept for the record but do not replace the last good one.
Everything here runs on monotonic time, so that no step of the wall clock makes a reading younger.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from controller.plausibility import Plausible, plausible
from controller.records.instant import Instant
from controller.records.limits import Limits
from controller.records.readings import (
    Condition,
    Quality,
    Reading,
    Rejection,
    RejectionCount,
    Sensed,
)
from controller.records.site import Role, Sensor, Site

NEW_LEVEL_S = 600.0
"""How long readings must agree on a new level before a jump to it is believed [s]."""

SAME_TIME_S = 1.0
"""How far two receipts of one measurement may differ as the wall clock is slewed [s]."""


@dataclass(slots=True)
class _Track:
    """What is known of one sensor.

    ``good`` is the last believed reading; ``odd`` the latest implausible one since then;
    ``jumped`` the first and the latest of a run of readings that left ``good`` too fast but agree
    with one another; ``ageless`` the latest retained one without a time.
    """

    latest: Reading | None = None
    good: Reading | None = None
    odd: Reading | None = None
    jumped: tuple[Reading, Reading] | None = None
    ageless: Reading | None = None


class LatestReadings:
    """The table of latest readings of one site.

    Parameters
    ----------
    site : Site
        For the ratings by which power is judged.
    """

    def __init__(self, site: Site) -> None:
        self._ratings_w = _ratings_w(site)
        self._tracks: dict[str, _Track] = {}
        self._rejections: dict[tuple[str, Rejection], RejectionCount] = {}
        self._implausible: dict[str, int] = {}

    @property
    def implausible(self) -> Mapping[str, int]:
        """Implausible readings of each sensor since the start."""
        return dict(self._implausible)

    def add(self, reading: Reading) -> Reading | None:
        """Judge a reading and keep it.

        Parameters
        ----------
        reading : Reading
            Of quality GOOD or UNKNOWN_AGE, as decoded.

        Returns
        -------
        Reading or None
            With its final quality, for the store; None where it came twice or out of order,
            which is counted as a rejection.
        """
        track = self._tracks.setdefault(reading.sensor, _Track())
        if track.latest is not None and not _follows(reading, track.latest):
            example = f"{reading.value:g} measured {reading.measured_s:.0f}"
            at_s = reading.received_s
            self.reject(reading.sensor, Rejection.OUT_OF_ORDER, at_s=at_s, example=example)
            return None
        track.latest = reading
        bounds = plausible(reading.role, rating_w=self._rating_w(reading.subject))
        quality = _judge(track, reading, bounds)
        judged = reading if quality is reading.quality else replace(reading, quality=quality)
        if judged.quality is Quality.GOOD:
            track.good, track.odd, track.jumped = judged, None, None
        elif judged.quality is Quality.IMPLAUSIBLE:
            track.odd = judged
            self._implausible[reading.sensor] = self._implausible.get(reading.sensor, 0) + 1
        else:
            track.ageless = judged
        return judged

    def reject(
        self, sensor: str, reason: Rejection, *, at_s: float, example: str, count: int = 1
    ) -> None:
        """Count payloads that gave no reading.

        Parameters
        ----------
        sensor : str
        reason : Rejection
        at_s : float
            When it came [UTC s].
        example : str
            A short printable piece of it.
        count : int
            How many there were.
        """
        key = (sensor, reason)
        before = self._rejections.get(key)
        total = count if before is None else before.count + count
        self._rejections[key] = RejectionCount(sensor, reason, total, at_s, example)

    def take_rejections(self) -> list[RejectionCount]:
        """Give the rejections since the last call, and start counting anew."""
        counts = list(self._rejections.values())
        self._rejections = {}
        return counts

    def sensed(
        self, sensors: Iterable[Sensor], *, now: Instant, limits: Limits
    ) -> tuple[Sensed, ...]:
        """What each sensor is good for at this moment.

        Parameters
        ----------
        sensors : iterable of Sensor
        now : Instant
        limits : Limits
            For the age at which a reading is stale.

        Returns
        -------
        tuple of Sensed
            One for each sensor, in their order.
        """
        return tuple(self._sense(sensor, now, limits) for sensor in sensors)

    def _sense(self, sensor: Sensor, now: Instant, limits: Limits) -> Sensed:
        track = self._tracks.get(sensor.id, _Track())
        condition, shown = _condition(track, now, limits.stale_after_s)
        if _may_be_too_hot(track, sensor.role, limits):
            condition, shown = Condition.IMPLAUSIBLE, track.odd
        age_s = None
        if shown is not None and condition is not Condition.UNKNOWN_AGE:
            age_s = shown.age_s(now)
        value = None if shown is None else shown.value
        return Sensed(sensor.id, sensor.role, sensor.subject, condition, value, age_s)

    def _rating_w(self, subject: str) -> float:
        return self._ratings_w.get(subject, max(self._ratings_w.values(), default=0.0))


def _ratings_w(site: Site) -> dict[str, float]:
    """Ratings by the id of the heater and of each of its loops [W]."""
    ratings: dict[str, float] = {}
    for heater in site.heaters:
        ratings.update(dict.fromkeys((heater.id, *heater.loops), heater.rating_w))
    return ratings


def _measured_mono_s(reading: Reading) -> float:
    """When it was measured, on the monotonic clock [s]."""
    return reading.received_mono_s - max(0.0, reading.received_s - reading.measured_s)


def _follows(reading: Reading, latest: Reading) -> bool:
    """Whether a reading is news.

    It is late only when both clocks say so: the wall clock alone may have been set back, and then
    every later reading would look old. One of the same time as the latest must be as old as that
    one on the monotonic clock: after a step back, a repeated message would look young again.
    """
    later_s = _measured_mono_s(reading) - _measured_mono_s(latest)
    if reading.measured_s == latest.measured_s:
        return reading.sequence != latest.sequence and later_s <= SAME_TIME_S
    return reading.measured_s > latest.measured_s or later_s >= 0.0


def _judge(track: _Track, reading: Reading, bounds: Plausible) -> Quality:
    """The quality of a reading; keeps ``track.jumped`` up to date."""
    if not bounds.holds(reading.value) or not _is_state(reading):
        track.jumped = None
        return Quality.IMPLAUSIBLE
    if reading.quality is not Quality.GOOD or track.good is None:
        return reading.quality
    good, run = track.good, track.jumped
    if run is not None and _within(bounds, run[1], reading, until=reading):
        # still at the new level. The time spent there explains no part of the way to it.
        believed = _within(bounds, good, reading, until=run[0]) or _lasts(run[0], reading)
        track.jumped = (run[0], reading)
    else:
        believed = _within(bounds, good, reading, until=reading)
        track.jumped = (reading, reading)
    return Quality.GOOD if believed else Quality.IMPLAUSIBLE


def _is_state(reading: Reading) -> bool:
    return reading.role is not Role.RELAY_STATE or reading.value in (0.0, 1.0)


def _within(bounds: Plausible, start: Reading, end: Reading, *, until: Reading) -> bool:
    """Whether the change from ``start`` to ``end`` can have happened by the time of ``until``."""
    elapsed_s = _measured_mono_s(until) - _measured_mono_s(start)
    return bounds.reaches(end.value - start.value, elapsed_s=elapsed_s)


def _lasts(first: Reading, last: Reading) -> bool:
    return _measured_mono_s(last) - _measured_mono_s(first) >= NEW_LEVEL_S


def _condition(
    track: _Track, now: Instant, stale_after_s: float
) -> tuple[Condition, Reading | None]:
    """A sensor's condition and the reading that explains it."""
    good, odd = track.good, track.odd
    if good is not None and good.age_s(now) < stale_after_s:
        return Condition.FRESH, good
    if odd is not None and odd.age_s(now) < stale_after_s:
        return Condition.IMPLAUSIBLE, odd
    if good is None and odd is None and track.ageless is not None:
        return Condition.UNKNOWN_AGE, track.ageless
    silent = good or odd
    return (Condition.MISSING if silent is None else Condition.STALE), silent


def _may_be_too_hot(track: _Track, role: Role, limits: Limits) -> bool:
    """Whether a slab has jumped above its hard limit since its last good reading.

    Then that one must not be heated on, although nothing is proven: the slab is unknown. A value
    that no slab can have is a glitch and says nothing.
    """
    if role is not Role.SLAB or track.odd is None:
        return False
    possible = plausible(role, rating_w=0.0).holds(track.odd.value)
    return possible and track.odd.value > limits.slab_max_c

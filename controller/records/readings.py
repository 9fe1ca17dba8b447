"""A reading, its quality, and its age."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from controller.records.instant import Instant
from controller.records.site import Role


class Quality(StrEnum):
    """What is known of a reading when it arrives."""

    GOOD = "good"
    UNKNOWN_AGE = "unknown_age"
    """Retained, without a time of its own: it may be of any age and never counts as fresh."""
    IMPLAUSIBLE = "implausible"
    """Out of the role's physical range, or changed faster than it can."""


class Rejection(StrEnum):
    """Why a payload gave no reading or forecast at all. Each is counted for its sensor."""

    TOO_LARGE = "too_large"
    NOT_TEXT = "not_text"
    NOT_JSON = "not_json"
    POINTER_FINDS_NOTHING = "pointer_finds_nothing"
    NOT_A_NUMBER = "not_a_number"
    NOT_FINITE = "not_finite"
    BAD_TIME = "bad_time"
    FROM_THE_FUTURE = "from_the_future"
    OUT_OF_ORDER = "out_of_order"
    LOST_UNDER_LOAD = "lost_under_load"
    """Given up unread, or unstored, because more came than can be taken in."""
    NOT_A_LIST = "not_a_list"
    """From here on for forecasts alone: where times or values should be is no list of them."""
    UNEQUAL_LISTS = "unequal_lists"
    TOO_MANY_POINTS = "too_many_points"
    IMPLAUSIBLE_VALUE = "implausible_value"
    TWO_FOR_ONE_TIME = "two_for_one_time"
    """Two different points for the same moment."""
    IN_THE_PAST = "in_the_past"
    """Nothing in it is still to come."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One value from one sensor, in house units.

    The key is (sensor, measured_s, sequence): a clock set back loses nothing. ``measured_s`` is
    the sensor's own time where it sends one, else the time of receipt.
    """

    sensor: str
    role: Role
    subject: str
    value: float
    measured_s: float
    received_s: float
    received_mono_s: float
    sequence: int
    quality: Quality = Quality.GOOD

    def age_s(self, now: Instant) -> float:
        """Monotonic time since receipt plus the delay at receipt [s]; no clock step moves it."""
        delay_s = max(0.0, self.received_s - self.measured_s)
        return max(0.0, now.mono_s - self.received_mono_s) + delay_s


class Condition(StrEnum):
    """What a sensor is good for at this tick. All but FRESH mean *unknown*."""

    FRESH = "fresh"
    STALE = "stale"
    MISSING = "missing"
    UNKNOWN_AGE = "unknown_age"
    IMPLAUSIBLE = "implausible"
    STUCK = "stuck"
    """Fresh, but it has not moved where it must have."""
    CONTRADICTED = "contradicted"
    """Fresh, but another sensor of the same role and place says something else."""


DOUBTED = frozenset({Condition.STUCK, Condition.CONTRADICTED})
"""Conditions that an interlock has found, not the readings themselves."""


@dataclass(frozen=True, slots=True)
class Sensed:
    """One fitted sensor as a tick sees it. ``value`` is None while nothing was ever received."""

    sensor: str
    role: Role
    subject: str
    condition: Condition
    value: float | None = None
    age_s: float | None = None

    @property
    def trusted(self) -> bool:
        """Whether the value may be acted on."""
        if self.condition is not Condition.FRESH or self.value is None:
            return False
        return math.isfinite(self.value)

    @property
    def heard(self) -> bool:
        """Whether the value is fresh, believed or not."""
        fresh = self.condition is Condition.FRESH or self.condition in DOUBTED
        return fresh and self.value is not None and math.isfinite(self.value)

    @property
    def measured(self) -> float:
        """The value, where there is one: to be asked of what is heard alone."""
        if self.value is None:
            raise ValueError(f"{self.sensor} has sent nothing")
        return self.value

    @property
    def old_s(self) -> float:
        """How long ago it was taken [s]: to be asked of what is heard alone."""
        if self.age_s is None:
            raise ValueError(f"nobody knows how old the reading of {self.sensor} is")
        return self.age_s


@dataclass(frozen=True, slots=True)
class RejectionCount:
    """How often a sensor's payloads were rejected for one reason, with the latest example."""

    sensor: str
    reason: Rejection
    count: int
    last_s: float
    example: str

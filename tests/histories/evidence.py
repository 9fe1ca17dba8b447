"""What the judge makes of the readings by itself: known, unknown, or not for sure.

Written from the design and from what DEVELOPERS.md says of readings, not from the guard's code, and
with a third answer wherever a threshold is too near to say.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from controller.records.site import Role
from tests.histories.instruments import Heard

STALE_S = 600.0
NEAR_S = 5.0
"""So near to a threshold of time the judge does not insist [s]."""
LONG_S = 1300.0
"""Longer than any single reading can have an effect [s]."""
NEW_LEVEL_S = 600.0
AHEAD_S = 30.0

SPANS: dict[Role, tuple[float, float, float | None, float]] = {
    Role.SLAB: (-30.0, 60.0, 1.0, 1.0),
    Role.AIR: (-40.0, 45.0, 10.0, 2.0),
    Role.OUTDOOR: (-50.0, 50.0, 5.0, 3.0),
    Role.SUPPLY: (-30.0, 120.0, None, 0.0),
    Role.RETURN: (-30.0, 120.0, None, 0.0),
    Role.PRESSURE: (-0.2, 6.0, 6.0, 1.0),
    Role.POWER: (-450.0, 18000.0, None, 0.0),
    Role.RELAY_STATE: (0.0, 1.0, None, 0.0),
}
"""Lowest and highest possible value, change a minute (None: any), and jump allowed at once."""


class Standing(Enum):
    """What may be said of a reading."""

    KNOWN = 1
    UNKNOWN = 2
    DOUBT = 3


@dataclass(slots=True)
class Point:
    """A value and when it was measured on the monotonic clock [s]."""

    value: float
    mono_s: float


class Track:
    """One sensor, reading by reading, since the guard's process began.

    Parameters
    ----------
    role : Role
    too_hot : float
        A slab that jumps above this is unknown [°C].
    """

    def __init__(self, role: Role, too_hot: float) -> None:
        self._role, self._too_hot = role, too_hot
        self._low, self._high, self._rate, self._jump = SPANS[role]
        self.restart()
        self.dishonest_s = -1e9
        """When it last said anything but the truth [s]."""
        self.moved_s = -1e9
        """When it last said another value than before [s]."""
        self.last: Heard | None = None

    def restart(self) -> None:
        """A new process knows nothing."""
        self.good: Point | None = None
        self._odd: float | None = None
        self._run: tuple[Point, Point] | None = None
        self._latest: tuple[float, float] | None = None
        self._doubt_until_s = -1e9

    def hear(self, heard: Heard) -> None:
        """One more reading."""
        if not heard.honest:
            self.dishonest_s = heard.mono_s
        if self.last is None or self.last.value != heard.value:
            self.moved_s = heard.mono_s
        self.last = heard
        if heard.delay_s < -AHEAD_S or self._is_late(heard):
            return
        if not self._low <= heard.value <= self._high:
            self._odd, self._run = heard.value, None
        elif not heard.ageless:
            self._judge(Point(heard.value, heard.mono_s - max(0.0, heard.delay_s)), heard.mono_s)

    def standing(self, now_s: float) -> Standing:
        """Whether the guard must know this sensor's value now."""
        if now_s < self._doubt_until_s:
            return Standing.DOUBT
        if self.good is None or self._is_hot():
            return Standing.UNKNOWN
        age_s = now_s - self.good.mono_s
        if abs(age_s - STALE_S) <= NEAR_S:
            return Standing.DOUBT
        return Standing.KNOWN if age_s < STALE_S else Standing.UNKNOWN

    def honest_for_s(self, now_s: float) -> float:
        return now_s - self.dishonest_s

    def _is_hot(self) -> bool:
        hot = self._role is Role.SLAB and self._odd is not None
        return hot and self._too_hot < (self._odd or 0.0) <= self._high

    def _is_late(self, heard: Heard) -> bool:
        """Whether both clocks call it older than the one before."""
        moment = (heard.measured_utc_s, heard.mono_s - max(0.0, heard.delay_s))
        before, self._latest = self._latest, moment
        if before is None:
            return False
        if moment[0] == before[0] or abs(moment[1] - before[1]) < 1e-3:
            self._doubt_until_s = heard.mono_s + LONG_S
        if moment[0] > before[0] or moment[1] >= before[1]:
            return False
        self._latest = before
        return True

    def _judge(self, point: Point, now_s: float) -> None:
        if self.good is None:
            self._believe(point)
            return
        run = self._run
        if run is not None and self._reaches(run[1], point, point.mono_s, now_s):
            lasts = point.mono_s - run[0].mono_s >= NEW_LEVEL_S
            believed = lasts or self._reaches(self.good, point, run[0].mono_s, now_s)
            self._run = (run[0], point)
        else:
            believed = self._reaches(self.good, point, point.mono_s, now_s)
            self._run = (point, point)
        if believed:
            self._believe(point)
        else:
            self._odd = point.value

    def _believe(self, point: Point) -> None:
        self.good, self._odd, self._run = point, None, None

    def _reaches(self, start: Point, end: Point, until_s: float, now_s: float) -> bool:
        if self._rate is None:
            return True
        room = self._jump + self._rate * max(0.0, until_s - start.mono_s) / 60.0
        left = room - abs(end.value - start.value)
        if abs(left) < 1e-6:
            self._doubt_until_s = now_s + LONG_S
        return left >= 0.0

"""Heat without a trustworthy slab reading: at most 15 minutes in any hour, and not nothing."""

from __future__ import annotations

from collections import deque

from controller.records.instant import Instant
from tests.histories.picture import Picture
from tests.histories.plant import Plant
from tests.histories.violation import Violation

DUTY_S, HOUR_S = 900.0, 3600.0
TICK_S = 10.0
LEASE_S = 120.0
SETTLED_S = 2.0 * HOUR_S + 60.0
"""After so long in the dark the hour's duty must have come [s]; the first may count as spent."""
LEAST_S = 0.6 * DUTY_S
"""A quarter of an hour comes whole, and then again when its first minutes are an hour old: any hour
holds ten minutes of it at the least."""


class HeatAccount:
    """Sums up blind heat at the contact itself."""

    def __init__(self, picture: Picture, plant: Plant) -> None:
        self._picture, self._plant = picture, plant
        self._blind: deque[tuple[float, float]] = deque()
        self._blind_s = 0.0
        self.most_blind_s = 0.0
        """The most blind heat that any hour has held [s]."""
        self._asked_blind = False
        self._asked = False
        """Whether the last word of a process that lives was ON."""
        self._rough_s = -1e9
        """When an OFF may last have failed to reach the board, or was on its way [s]."""
        self._lost_s = -1e9
        """When the account itself may have been lost with an unwritten record [s]."""
        self._dark_since_s: float | None = None
        self._asked_s: deque[float] = deque()
        self._seen_s = plant.mono_s

    def ended(self, now_s: float, *, stored: bool) -> None:
        """A process has ended: its OFF is the will's business, or the lease's."""
        self._rough_s = now_s
        self._asked = False
        self._dark_since_s = None
        if not stored:
            self._lost_s = now_s

    def watch(self, now_s: float) -> None:
        """Between two ticks: add up where the contact is closed for blind heat."""
        step_s, self._seen_s = now_s - self._seen_s, now_s
        board = self._plant.board
        if self._asked_blind and not board.welded and board.closed(now_s):
            self._blind.append((now_s, step_s))
            self._blind_s += step_s
            if not self._asked:  # an OFF is held up on its way: only the lease bounds what is left
                self._rough_s = now_s
        while self._blind and self._blind[0][0] <= now_s - HOUR_S:
            self._blind_s -= self._blind.popleft()[1]
        self.most_blind_s = max(self.most_blind_s, self._blind_s)
        rough = now_s - self._rough_s <= HOUR_S
        most_s = DUTY_S + 2.0 * TICK_S + (LEASE_S + TICK_S if rough else 0.0)
        if self._blind_s > most_s and now_s - self._lost_s > 2.0 * HOUR_S:
            what = f"{self._blind_s:.0f} s of blind heat within an hour"
            raise Violation(what, Instant(0.0, now_s), self._picture.describe(), [])

    def after(self, now_s: float, *, on: bool, reachable: bool) -> None:
        """At the end of a tick."""
        if on:
            self._asked_blind = self._picture.is_blind()
        if not reachable:
            self._rough_s = now_s
        self._asked = on
        self._asked_s.append(now_s if on else -1.0)
        if len(self._asked_s) > HOUR_S / TICK_S:
            self._asked_s.popleft()

    def judge_dark(self, now_s: float, *, excused: bool) -> float | None:
        """How much heat was asked for in the last hour, where blind frost protection is due [s]."""
        if excused or not self._picture.is_cold_and_blind_for_sure():
            self._dark_since_s = None
            return None
        if self._dark_since_s is None:
            self._dark_since_s = now_s
        if now_s - self._dark_since_s < SETTLED_S:
            return None
        return TICK_S * sum(s > now_s - HOUR_S for s in self._asked_s)

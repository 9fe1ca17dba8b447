"""Hard limits, trips and lockouts as the judge works them out: for sure, and at most.

*For sure* is what the guard must act on. *May be* is all that any reading at all could have led to;
only where even that is excluded must frost protection and planning be able to heat.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from controller.records.site import Role
from tests.histories.evidence import LONG_S, Standing, Track
from tests.histories.picture import SLAB_MAX_C, Picture

SUPPLY_MAX_C = 55.0
CONFIRM_S = 60.0
RELAY_GRACE_S, LEASE_S = 30.0, 120.0
NEAR_S = 1.0
POWER_ON_W = 0.2 * 9000.0
HIGH_BAR = 2.4
"""Above the guard's own limit, below the relief valve [bar]."""
STEADY_BAR = (1.3, 1.8)
"""Pressures that no fluid temperature makes too low or too high in this plant [bar]."""
STILL_S = 1200.0
"""A sensor that has said the same for so long may be taken for stuck [s]."""
NOTHING_S = 300.0
"""So long without heat that was asked for may trip *no flow or no heat* [s]."""
RESTS_S = 1300.0
"""How long that trip may last: its rest, and time to see that it is over [s]."""

_ODD: Mapping[Role, Callable[[float], bool]] = {
    Role.SLAB: lambda value: value > SLAB_MAX_C,
    Role.SUPPLY: lambda value: value > SUPPLY_MAX_C,
    Role.RELAY_STATE: lambda value: value >= 0.5,
    Role.POWER: lambda value: value > POWER_ON_W,
    Role.PRESSURE: lambda value: not STEADY_BAR[0] <= value <= STEADY_BAR[1],
}
"""Values beyond the limit of each role that has one."""


class HardLimits:
    """What is exceeded, and what must or may be locked out."""

    def __init__(self, picture: Picture) -> None:
        self._picture = picture
        self._over_since_s: dict[str, float] = {}
        self._counts = {role: 0 for role in _ODD if role in picture.by_role}
        """Readings beyond the limit since none was, by role."""
        self._odd_s = -1e9
        self._off_since_s = 0.0
        self._on_s = -1e9
        self._may_be_locked = False
        self._locked_stored = False
        self._lift_unstored = False
        """Whether a lockout was lifted and the record still holds it."""
        self._nothing_s = self._nothing_trips = 0
        self._nothing_until_s = -1e9
        self.locked_for_sure = False

    def restart(self, now_s: float) -> None:
        """A new process: a trip is counted anew, as far as the judge can be sure."""
        self._over_since_s = {}
        self._off_since_s = now_s

    def ended(self, *, stored: bool) -> None:
        """A lockout that could not be stored may be lost with the process, or come back with it."""
        self._may_be_locked = self._may_be_locked or self._lift_unstored
        if self.locked_for_sure and not (self._locked_stored or stored):
            self.locked_for_sure = False

    def look(self, now_s: float) -> bool:
        """At the beginning of a tick, before the guard has decided; whether this locks out."""
        was_locked = self.locked_for_sure
        self._count(now_s)
        over = self.exceeded()
        since = self._over_since_s
        self._over_since_s = {name: since.get(name, now_s) for name in over}
        for name, track in over.items():
            begun_s = self._over_since_s[name]
            if name == Role.RELAY_STATE.value:  # a board that did not hear has its lease first
                begun_s = max(begun_s, self._off_since_s + LEASE_S + RELAY_GRACE_S)
            newer = track.good is not None and track.good.mono_s > begun_s + NEAR_S
            if now_s - begun_s >= CONFIRM_S + NEAR_S and newer:
                self._lock()
        return self.locked_for_sure and not was_locked

    def after(self, now_s: float, *, on: bool, reachable: bool, stored: bool) -> None:
        """At the end of a tick. A board that cannot be reached has not been told anything."""
        self._see_nothing_come(now_s, asked=on or not reachable)
        if on:
            self._on_s = now_s
        if on or not reachable:
            self._off_since_s = math.inf
        elif self._off_since_s == math.inf:
            self._off_since_s = now_s
        self._locked_stored = self.locked_for_sure and (self._locked_stored or stored)
        self._lift_unstored = self._lift_unstored and not stored

    def acknowledged(self) -> None:
        """The owner lifts what is locked out, unless its trip still stands."""
        self._lift_unstored = self._may_be_locked or self.locked_for_sure
        self._may_be_locked = self._is_confirmed_at_most()
        self._nothing_trips = min(1, self._nothing_trips)
        self.locked_for_sure = self._locked_stored = False

    def exceeded(self) -> dict[str, Track]:
        """The hard limits that are exceeded for sure, with the sensor that says so."""
        found = {}
        for role, limit in ((Role.SLAB, SLAB_MAX_C), (Role.SUPPLY, SUPPLY_MAX_C)):
            for track in self._beyond_doubt(role):
                if track.good and track.good.value > limit:
                    found[role.value] = track
        for track in self._beyond_doubt(Role.PRESSURE):
            if track.good and track.good.value > HIGH_BAR:
                found[Role.PRESSURE.value] = track
        for track in self._known(Role.RELAY_STATE):
            told_s = self._off_since_s + RELAY_GRACE_S + NEAR_S
            if track.good and track.good.value >= 0.5 and track.good.mono_s >= told_s:
                found[Role.RELAY_STATE.value] = track
        return found

    def may_be_exceeded(self) -> bool:
        """Whether any reading of late could stand for an exceeded limit."""
        now_s = self._picture.now_s
        fluid = (Role.SUPPLY, Role.RETURN) if Role.PRESSURE in self._picture.by_role else ()
        lied_s = [now_s - t.dishonest_s for r in fluid for t in self._picture.by_role.get(r, ())]
        lies = any(lie_s <= LONG_S for lie_s in lied_s)
        return lies or now_s <= self._nothing_until_s or now_s - self._odd_s <= LONG_S

    def may_be_locked(self) -> bool:
        self._may_be_locked = self._may_be_locked or self._is_confirmed_at_most()
        return self._may_be_locked

    def _beyond_doubt(self, role: Role) -> list[Track]:
        """Known sensors of a role, unless two may disagree or one may be stuck."""
        tracks, now_s = self._known(role), self._picture.now_s
        if self._picture.may_contradict(role):
            return []
        return [t for t in tracks if now_s - t.moved_s < STILL_S]

    def _known(self, role: Role) -> list[Track]:
        """Known sensors of a role."""
        now_s, tracks = self._picture.now_s, self._picture.by_role.get(role, [])
        return [t for t in tracks if t.standing(now_s) is Standing.KNOWN]

    def _see_nothing_come(self, now_s: float, *, asked: bool) -> None:
        """Whether heat that is asked for may be taken to stay away, and for how long already."""
        if Role.POWER not in self._picture.by_role:
            return
        last = self._picture.by_role[Role.POWER][0].last
        comes = last is not None and POWER_ON_W < last.value <= 18000.0
        if not asked or (comes and last is not None and now_s - last.mono_s < 100.0):
            self._nothing_s = 0
            return
        self._nothing_s += 10
        if self._nothing_s == NOTHING_S:
            self._nothing_trips += 1
        if self._nothing_s >= NOTHING_S:
            self._nothing_until_s = now_s + RESTS_S

    def _count(self, now_s: float) -> None:
        for heard in self._picture.heard:
            odd = _ODD.get(heard.role)
            if odd is None:
                continue
            if heard.role in (Role.RELAY_STATE, Role.POWER) and now_s - self._on_s < RELAY_GRACE_S:
                self._counts[heard.role] = 0
            elif odd(heard.value):
                self._counts[heard.role] += 1
                self._odd_s = now_s
        for role, count in self._counts.items():
            if count and not any(odd_now(t, role) for t in self._picture.by_role[role]):
                self._counts[role] = 0
        self._may_be_locked = self._may_be_locked or self._is_confirmed_at_most()

    def _is_confirmed_at_most(self) -> bool:
        twice = any(count >= 2 for count in self._counts.values())
        return twice or self._nothing_trips >= 2 or self._nothing_s >= 2 * NOTHING_S

    def _lock(self) -> None:
        if not self.locked_for_sure:
            self.locked_for_sure, self._locked_stored = True, False


def odd_now(track: Track, role: Role) -> bool:
    """Whether the last thing that a sensor said lies beyond its limit."""
    return track.last is not None and _ODD[role](track.last.value)

"""On-times that follow a programme's heat, and the air that they really make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import expm, logm

from models.heated_room import Room, recurrence
from models.programme import RoomPath
from models.series import FloatArray
from models.timetable import on_times

TOLERATED_K = 0.05
"""How far the air at a session's start may be from the programme's before on-times are mended."""
_MENDINGS = 3
"""A shift is found by its first-order effect; two more take up what is left of it."""
_WORST_CONDITION = 1e12
"""Beyond it a state forgets all within one slot: no part of a slot can be told from it [-]."""

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class SwitchedPath:
    """When the heater is on, and what comes of it.

    Parameters
    ----------
    on_times : tuple of (float, float)
        Start and end of each time on, from now, ascending [s].
    air_c : array, shape (N + 1,)
        Room air at the slot borders under these on-times [°C].
    """

    on_times: tuple[Interval, ...]
    air_c: FloatArray


def timetable_of(
    room: Room,
    path: RoomPath,
    *,
    slot_s: float,
    min_on_s: float,
    min_off_s: float,
    heating: bool,
    since_s: float,
    starts: Sequence[int],
) -> SwitchedPath:
    """Turn one room's programme into on-times of a heater that is on or off.

    Parameters
    ----------
    room : Room
        Has the heater to itself.
    path : RoomPath
        The programme for it.
    slot_s, min_on_s, min_off_s, heating, since_s
        As in `models.timetable.on_times`.
    starts : sequence of int
        Slot borders at which sessions begin, ascending. Where the air at one of them would be
        off by more than `TOLERATED_K`, the one switching before it that does most is shifted.

    Returns
    -------
    SwitchedPath
        While on, the heater is taken to deliver what `Room.available_w` allows on the
        programme's path. An error at a start remains where the minimum times leave no room.

    Raises
    ------
    ValueError
        Where the room's matrix cannot be divided into parts of a slot.
    """
    available = room.available_w(path.states)
    duty = np.divide(path.heat_w, available, out=np.zeros(room.count), where=available > 0)
    times = on_times(
        np.clip(duty, 0.0, 1.0),
        slot_s=slot_s,
        min_on_s=min_on_s,
        min_off_s=min_off_s,
        heating=heating,
        since_s=since_s,
    )
    pulses = _Pulses.of(room, available, slot_s)
    before_s = (-since_s, 0.0) if heating else (-np.inf, -since_s)
    rule = _Rule(min_on_s, min_off_s, before_s, room.count * slot_s)
    for border in starts:
        for _ in range(_MENDINGS):
            error_k = float(pulses.air_c(times)[border] - path.air_c[border])
            if abs(error_k) <= TOLERATED_K:
                break
            times = _mended(times, pulses, rule, border=border, error_k=error_k)
    return SwitchedPath(tuple(times), pulses.air_c(times))


@dataclass(frozen=True, slots=True, eq=False)
class _Pulses:
    """Heat that begins and ends within slots, exactly, from the matrices of whole slots.

    ``flow`` is the matrix logarithm of [[a, b_heat], [0, 1]] by the second, so that its
    exponential over part of a slot holds the matrices of that part. ``echo_k_j[j]`` is what a
    joule has added to the air j slots later [K/J].
    """

    room: Room
    available_w: FloatArray
    slot_s: float
    flow: FloatArray
    echo_k_j: FloatArray

    @staticmethod
    def of(room: Room, available_w: FloatArray, slot_s: float) -> _Pulses:
        size = len(room.start_c)
        if np.linalg.cond(room.a) > _WORST_CONDITION:
            raise ValueError(f"delays held as states cannot be divided within a slot: {room.a}")
        whole = np.eye(size + 1)
        whole[:size, :size], whole[:size, size] = room.a, room.b_heat
        flow = np.real(logm(whole)) / slot_s
        echo = recurrence(room.a, flow[:-1, -1], np.zeros_like(room.disturbance_k)) @ room.air_row
        return _Pulses(room, available_w, slot_s, flow, echo)

    def air_c(self, times: Sequence[Interval]) -> FloatArray:
        """Room air at the slot borders with these on-times."""
        per_watt = np.zeros_like(self.room.disturbance_k)
        for start_s, end_s in times:
            first, last = int(start_s // self.slot_s), int(np.ceil(end_s / self.slot_s))
            for k in range(first, min(last, self.room.count)):
                begin_s = max(0.0, start_s - k * self.slot_s)
                stop_s = min(self.slot_s, end_s - k * self.slot_s)
                per_watt[k] += self._rise(begin_s, stop_s)
        added = self.room.disturbance_k + per_watt * self.available_w[:, None]
        states = recurrence(self.room.a, self.room.start_c, added)
        return np.asarray(states @ self.room.air_row)

    def _rise(self, begin_s: float, stop_s: float) -> FloatArray:
        """States at a slot's end from a watt between these times in it [K/W]."""
        if begin_s == 0.0 and stop_s == self.slot_s:
            return self.room.b_heat
        heated = expm(self.flow * (stop_s - begin_s))[:-1, -1]
        return np.asarray(expm(self.flow * (self.slot_s - stop_s))[:-1, :-1] @ heated)

    def rate_k_s(self, at_s: float, border: int) -> float:
        """What a second more of heat at this time adds to the air at a later border [K/s]."""
        later = at_s / self.slot_s
        slot = min(int(later), self.room.count - 1)
        rise = np.interp(border - later, np.arange(self.room.count + 1), self.echo_k_j)
        return float(rise * self.available_w[slot])


@dataclass(frozen=True, slots=True)
class _Rule:
    """What switching must keep to; ``before_s`` is the time on before now, as far as known."""

    min_on_s: float
    min_off_s: float
    before_s: Interval
    end_s: float

    def bounds(self, times: Sequence[Interval], index: int, edge: int) -> Interval:
        """Earliest and latest time for the start (edge 0) or end (1) of one time on."""
        start_s, end_s = times[index]
        if edge == 0:
            stopped_s = times[index - 1][1] if index else self.before_s[1]
            return max(0.0, stopped_s + self.min_off_s), end_s - self.min_on_s
        goes_on = index == 0 and start_s == 0.0 and np.isfinite(self.before_s[0])
        began_s = self.before_s[0] if goes_on else start_s
        last = index + 1 == len(times)
        latest_s = self.end_s if last else times[index + 1][0] - self.min_off_s
        return max(start_s, began_s + self.min_on_s), latest_s


def _mended(
    times: list[Interval], pulses: _Pulses, rule: _Rule, *, border: int, error_k: float
) -> list[Interval]:
    """Shift the one start or end before the border that takes most of the error away."""
    border_s = border * pulses.slot_s
    best, found = (0.0, 0.0), times
    for index, interval in enumerate(times):
        for edge in (0, 1):
            at_s = interval[edge]
            if at_s >= border_s or at_s == 0.0:
                continue
            rate = pulses.rate_k_s(at_s, border) * (1.0 if edge else -1.0)
            earliest_s, latest_s = rule.bounds(times, index, edge)
            latest_s = min(latest_s, border_s)
            if rate == 0.0 or earliest_s > latest_s:
                continue
            to_s = min(max(at_s - error_k / rate, earliest_s), latest_s)
            mended_k = min(0.99 * abs(error_k), -rate * (to_s - at_s) * np.sign(error_k))
            if (mended_k, abs(rate)) > best:
                best = (mended_k, abs(rate))
                moved = (to_s, interval[1]) if edge == 0 else (interval[0], to_s)
                found = [*times[:index], moved, *times[index + 1 :]]
    return found

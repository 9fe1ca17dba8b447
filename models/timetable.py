"""The least heat that keeps a room warm enough, and the on-times that deliver it.

Heat that comes later has less time to be lost, so the least heat is the latest heat that still
does. Coasting up to a session's start and running out to its end need no rules of their own:
heat that could not arrive in time is not asked for.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from models.first_order import FirstOrder
from models.response import acting_w, follow, split_dead_time, surroundings_c
from models.series import FloatArray

_NEGLIGIBLE_K = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Timetable:
    """Heat slot by slot and the air it makes.

    Parameters
    ----------
    heat_w : array, shape (n,)
        Mean heat to deliver in each slot [W].
    air_c : array, shape (n + 1,)
        Room air at the slot borders [°C].
    shortfall_k : array, shape (n + 1,)
        How far the air stays below what was wanted, 0 where it does not [K].
    """

    heat_w: FloatArray
    air_c: FloatArray
    shortfall_k: FloatArray


def least_heat(
    model: FirstOrder,
    *,
    start_c: float,
    pending_w: ArrayLike,
    outdoor_c: ArrayLike,
    sun_w_m2: ArrayLike,
    lower_c: ArrayLike,
    power_w: ArrayLike,
    slot_s: float,
) -> Timetable:
    """Least heat with which the air is at ``lower_c`` or above at every slot border.

    Parameters
    ----------
    model : FirstOrder
    start_c : float
        Room air now [°C].
    pending_w : array, shape (p,)
        Heat delivered in the slots before now, oldest first [W].
    outdoor_c, sun_w_m2 : array, shape (n,), or float
        Outdoor air [°C] and irradiance [W/m2] in each slot.
    lower_c : array, shape (n + 1,)
        Least air wanted at each slot border, -inf where it is free [°C].
    power_w : array, shape (n,), or float
        Most heat that can be delivered in each slot [W].
    slot_s : float
        Length of a slot [s].

    Returns
    -------
    Timetable
        Where the wanted air cannot be reached, the heater runs from the beginning and the
        shortfall says by how much it fails; later borders are served as well as they can be.

    Notes
    -----
    The heat is found by when it arrives: in slots of air temperature, so that it may begin
    within a slot where the dead time is not a whole number of slots. ``heat_w`` gives its mean
    in each slot. Spreading it over the slot, as `air_path` does with it, moves the air by at
    most gain * power * slot / (4 time_constant) from ``air_c``.
    """
    lower = np.asarray(lower_c, dtype=np.float64)
    count = len(lower) - 1
    arrivals = _Arrivals.of(model, np.broadcast_to(power_w, (count,)), slot_s)
    goal = surroundings_c(model, outdoor_c=outdoor_c, sun_w_m2=sun_w_m2, count=count)
    pending = acting_w(
        model,
        heat_w=np.zeros(count),
        pending_w=np.asarray(pending_w, dtype=np.float64),
        slot_s=slot_s,
    )
    goal = goal + model.gain_k_per_w * pending
    free = follow(model, start_c=start_c, goal_c=goal, slot_s=slot_s)
    if not np.isfinite(free).all() or np.isnan(lower).any():
        raise ValueError("start, pending heat, outdoor air and sun must be finite, lower_c no NaN")
    share = _latest_shares(lower - free, arrivals.rise_k, arrivals.decay)
    warming = arrivals.rise_k * share / (1.0 - arrivals.decay)
    air = follow(model, start_c=start_c, goal_c=goal + warming, slot_s=slot_s)
    short = np.maximum(0.0, lower - air)
    return Timetable(
        heat_w=arrivals.emitted_w(share),
        air_c=air,
        shortfall_k=np.where(short > 1e3 * _NEGLIGIBLE_K, short, 0.0),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Arrivals:
    """Heat by the slot in which it acts: what full power does there, and when it was sent off.

    ``rise_k[k]`` is what full power acting in slot k adds to the air at the slot's end; 0 in the
    slots that heat from now on cannot reach.
    """

    whole: int
    rest: float  # part of a slot by which the dead time exceeds whole slots
    decay: float
    power_w: FloatArray
    rise_k: FloatArray

    @staticmethod
    def of(model: FirstOrder, power_w: FloatArray, slot_s: float) -> _Arrivals:
        whole, rest_s = split_dead_time(model.dead_time_s, slot_s)
        rest = rest_s / slot_s
        count = len(power_w)
        decay = float(np.exp(-slot_s / model.time_constant_s))
        # Heat that acts across slot k left in slots k-whole-1 and k-whole: the lesser limit holds.
        sent = np.full(count, 0.0)
        sent[whole:] = power_w[: count - whole] if whole < count else 0.0
        if rest > 0 and whole + 1 < count:
            sent[whole + 1 :] = np.minimum(sent[whole + 1 :], power_w[: count - whole - 1])
        rise = model.gain_k_per_w * (1.0 - decay) * sent
        if whole < count:  # the first heat acts only after the rest of the dead time
            alone = 1.0 - float(np.exp(-(slot_s - rest_s) / model.time_constant_s))
            rise[whole] = model.gain_k_per_w * alone * sent[whole]
        return _Arrivals(whole=whole, rest=rest, decay=decay, power_w=sent, rise_k=rise)

    def emitted_w(self, share: FloatArray) -> FloatArray:
        """Mean heat to deliver in each slot so that ``share`` of the full power arrives [W]."""
        arriving = np.concatenate((share * self.power_w, np.zeros(self.whole + 1)))
        count = len(share)
        first = arriving[self.whole : self.whole + count]
        second = arriving[self.whole + 1 : self.whole + 1 + count]
        return np.asarray((1.0 - self.rest) * first + self.rest * second)


def _latest_shares(lacking_k: FloatArray, rise_k: FloatArray, decay: float) -> FloatArray:
    """Share of full power in each slot: for each border in time order, the latest that will do.

    Parameters
    ----------
    lacking_k : array, shape (n + 1,)
        What the air lacks at each border without any heat from now on [K].
    rise_k : array, shape (n,)
        What full power in a slot adds at the slot's end [K].
    decay : float
        What is left after one slot of a rise [-].
    """
    share = np.zeros(len(rise_k))
    room_left: list[int] = []  # slots not yet full, the latest last
    added_k = 0.0
    for border in range(1, len(lacking_k)):
        added_k *= decay
        if rise_k[border - 1] > 0:
            room_left.append(border - 1)
        missing_k = lacking_k[border] - added_k
        while missing_k > _NEGLIGIBLE_K and room_left:
            slot = room_left[-1]
            full_k = rise_k[slot] * decay ** (border - 1 - slot)
            step = min(missing_k / full_k, 1.0 - share[slot])
            share[slot] += step
            added_k += step * full_k
            missing_k -= step * full_k
            if share[slot] >= 1.0 - 1e-12:
                room_left.pop()
    return share


def on_times(
    duty: FloatArray,
    *,
    slot_s: float,
    min_on_s: float,
    min_off_s: float,
    heating: bool,
    since_s: float,
    worth_s: float | None = None,
) -> list[tuple[float, float]]:
    """Times at which the heater is on, so that each slot gets its share of heat in the long run.

    Parameters
    ----------
    duty : array, shape (n,)
        Wanted share of each slot [0..1].
    slot_s : float
        Length of a slot [s].
    min_on_s, min_off_s : float
        Shortest time on and shortest time off [s].
    heating : bool
        Whether the heater is on now.
    since_s : float
        For how long it has been as it is [s].
    worth_s : float, optional
        Time on for which it is switched on, for ``min_on_s`` at least [s]. Half of ``min_on_s``
        where left out, so that as much heat is left out as is given too much.

    Returns
    -------
    list of (float, float)
        Start and end of each time on, from now [s], ascending, within the slots given. Only a
        time that is cut off by the last slot's end may be shorter than ``min_on_s``.

    Notes
    -----
    What a slot gets too much or too little is carried to the next, so that the heat given never
    strays by more than about one slot and the two minimum times together.
    """
    switch = _Switch(
        on=heating,
        changed_s=-since_s,
        min_on_s=min_on_s,
        min_off_s=min_off_s,
        worth_s=0.5 * min_on_s if worth_s is None else worth_s,
    )
    for index, share in enumerate(duty):
        more_follows = index + 1 < len(duty) and duty[index + 1] > 0
        switch.run_slot(index * slot_s, slot_s, float(share), more_follows=more_follows)
    return switch.finished(len(duty) * slot_s)


@dataclass(slots=True)
class _Switch:
    """A heater on its way through the slots: its state, and the time on that it still owes."""

    on: bool
    changed_s: float
    min_on_s: float
    min_off_s: float
    worth_s: float
    owed_s: float = 0.0
    times: list[tuple[float, float]] = field(default_factory=list)

    def run_slot(self, begin_s: float, slot_s: float, share: float, *, more_follows: bool) -> None:
        """Decide at most one time on in this slot and book what it gives."""
        self.owed_s += share * slot_s
        end_s = begin_s + slot_s
        if self.on:
            self._run_on(begin_s, end_s, more_follows=more_follows)
        elif self.owed_s >= self.worth_s:
            self._run_off(begin_s, end_s, more_follows=more_follows)

    def _run_on(self, begin_s: float, end_s: float, *, more_follows: bool) -> None:
        """Stay on for what is owed; a pause not worth switching for is left out."""
        stop_s = max(begin_s, self.changed_s + self.min_on_s, begin_s + self.owed_s)
        pause_s = end_s - stop_s
        if pause_s <= 0 or (more_follows and pause_s < 0.5 * self.min_off_s):
            self.owed_s -= end_s - begin_s
            return
        self._switch_off(stop_s)
        self.owed_s -= stop_s - begin_s

    def _run_off(self, begin_s: float, end_s: float, *, more_follows: bool) -> None:
        """Switch on for what is owed: late where more follows, so that the two join up."""
        earliest_s = max(begin_s, self.changed_s + self.min_off_s)
        length_s = max(self.owed_s, self.min_on_s)
        start_s = max(earliest_s, end_s - length_s) if more_follows else earliest_s
        if start_s >= end_s:
            return
        self.on, self.changed_s = True, start_s
        stop_s = start_s + length_s
        if stop_s < end_s:
            self._switch_off(stop_s)
        self.owed_s -= min(stop_s, end_s) - start_s

    def _switch_off(self, stop_s: float) -> None:
        start_s = max(0.0, self.changed_s)
        if stop_s > start_s:
            self.times.append((start_s, stop_s))
        self.on, self.changed_s = False, stop_s

    def finished(self, end_s: float) -> list[tuple[float, float]]:
        """All times on, the running one closed at the horizon's end."""
        if self.on:
            self._switch_off(end_s)
        return self.times

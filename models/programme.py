"""The cheapest heating that keeps rooms warm enough and slabs cool enough, slot by slot.

A sparse linear programme, solved with HiGHS through scipy. Coast-up and run-out need no rules
of their own: heat that would arrive after it is wanted only costs.

Heat left in the slab at the end has no value here: the horizon ends with the last session that
is known, and what is not asked for may never be. Of two heatings at one price the later is
taken, since news may still come; that keeps results the same from run to run, too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from models.heated_room import Limit, Profile, Room
from models.linear_programme import Sheet
from models.modes import Modes, modes_of
from models.series import FloatArray

PREFERENCE = 1e-3
"""What heat counts for above its price, as a part of the highest price: this much at the end,
twice as much in the first slot. So late heat is preferred, and free heat is not wasted."""
_SLACK_K = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Heater:
    """What feeds the rooms, and what that costs.

    Parameters
    ----------
    rating_w : float or array, shape (N,)
        Most heat in all rooms together [W].
    price_per_kwh : float or array, shape (N,)
        [money/kWh].
    surplus_w : float or array, shape (N,)
        Own solar power left over in each slot; heat up to it costs ``surplus_price_per_kwh`` [W].
    surplus_price_per_kwh : float or array, shape (N,)
        What is forgone with it; above the price it counts as the price [money/kWh].
    shares : tuple of float or None
        Share of the heat that goes to each room where no valves part them; None where each room
        can be heated alone.
    """

    rating_w: Profile
    price_per_kwh: Profile
    surplus_w: Profile = 0.0
    surplus_price_per_kwh: Profile = 0.0
    shares: tuple[float, ...] | None = None

    def cost(self, heat_w: FloatArray, *, slot_s: float) -> float:
        """What this heat costs, shape (N,) [money]."""
        cheap = np.minimum(heat_w, self.surplus_w) * self.rebate_per_kwh()
        return float((heat_w * self.price_per_kwh - cheap).sum()) * slot_s / 3.6e6

    def rebate_per_kwh(self) -> FloatArray:
        """How much cheaper own surplus is than the price, never below 0 [money/kWh]."""
        price, own = np.asarray(self.price_per_kwh), np.asarray(self.surplus_price_per_kwh)
        return np.asarray(np.maximum(0.0, price - own), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class RoomPath:
    """One room's part of a programme.

    Parameters
    ----------
    heat_w : array, shape (N,)
        Mean heat in each slot [W].
    states : array, shape (N + 1, n)
        Temperatures at the slot borders [°C].
    air_c : array, shape (N + 1,)
        Room air at the slot borders [°C].
    shortfall_k : array, shape (N + 1,)
        How far the air stays below what was wanted, 0 where it does not [K].
    excess_k : array, shape (N + 1,)
        How far the limit that is exceeded most is exceeded, 0 where none is [K].
    """

    heat_w: FloatArray
    states: FloatArray
    air_c: FloatArray
    shortfall_k: FloatArray
    excess_k: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Programme:
    """The least-cost heating.

    Parameters
    ----------
    rooms : tuple of RoomPath
        In the order given.
    cost : float
        What the heat costs, shortfall and preference not counted [money].
    """

    rooms: tuple[RoomPath, ...]
    cost: float

    @property
    def heat_w(self) -> FloatArray:
        """Heat of all rooms in each slot, shape (N,) [W]."""
        return np.asarray(np.sum([room.heat_w for room in self.rooms], axis=0))


def least_cost(
    rooms: Sequence[Room], heater: Heater, *, slot_s: float, time_limit_s: float = 10.0
) -> Programme:
    """Heat that costs least, the prices of shortfall and of exceeded limits included.

    Parameters
    ----------
    rooms : sequence of Room
        All rooms of one heater, over the same slots.
    heater : Heater
    slot_s : float
        Length of a slot [s].
    time_limit_s : float
        Time for the solver [s].

    Returns
    -------
    Programme
        There is always one: wanted temperatures and limits have a price instead of a wall, and
        no heat at all keeps the rating and the supply limit.

    Raises
    ------
    ValueError
        Where the rooms' slots differ, or prices or power are missing or below what makes sense.
    ProgrammeFailed
        Where the solver finds no answer in time.

    Notes
    -----
    The variables are heat as a share of the rating, and what that heat adds to each room's modes
    (see `models.modes`); the path without heat is computed before. Rows that no heat within the
    rating can break, or that hold without any, are left out: for rooms in which heat cools
    nothing, that changes no answer.
    """
    _check(rooms, heater)
    sheet = Sheet()
    scale = _Scale.of(rooms[0].count, heater, slot_s)
    heats = _add_heat(sheet, heater, scale, 1 if heater.shares else len(rooms))
    parts = []
    for index, room in enumerate(rooms):
        share = heater.shares[index] if heater.shares else 1.0
        part = _Part.of(room, heats[0 if heater.shares else index], share, scale)
        _add_room(sheet, part, scale)
        parts.append(part)
    columns = sheet.solve(time_limit_s=time_limit_s)
    paths = tuple(part.path(columns, scale) for part in parts)
    total = np.asarray(np.sum([path.heat_w for path in paths], axis=0))
    return Programme(paths, heater.cost(total, slot_s=slot_s))


def _check(rooms: Sequence[Room], heater: Heater) -> None:
    counts = {room.count for room in rooms}
    if len(counts) != 1 or 0 in counts:
        raise ValueError(f"rooms need one same number of slots, at least one: {sorted(counts)}")
    if heater.shares is not None and (
        len(heater.shares) != len(rooms) or min(heater.shares) < 0 or max(heater.shares) <= 0
    ):
        raise ValueError(f"one share for each of {len(rooms)} rooms, none below 0: {heater.shares}")
    prices = (heater.price_per_kwh, heater.surplus_price_per_kwh)
    if not all(np.isfinite(price).all() for price in prices):
        raise ValueError("prices must be finite numbers in every slot")
    never_negative = [heater.rating_w, heater.surplus_w]
    for room in rooms:
        never_negative += [room.heat_max_w, room.shortfall_price_per_k_h]
        never_negative += [limit.price_per_k_h for limit in room.limits]
    for number in never_negative:
        if not (np.isfinite(number).all() and (np.asarray(number) >= 0).all()):
            raise ValueError(f"power and prices of shortfall must be finite, not below 0: {number}")


@dataclass(frozen=True, slots=True, eq=False)
class _Scale:
    """Units that keep the programme's numbers near 1."""

    count: int
    slot_s: float
    rating_w: FloatArray
    unit_w: float  # heat columns count in this, the greatest rating
    unit_money: float  # cost counts in this, one slot of full heat at the highest price

    @staticmethod
    def of(count: int, heater: Heater, slot_s: float) -> _Scale:
        rating = np.broadcast_to(np.asarray(heater.rating_w, dtype=np.float64), (count,))
        unit_w = max(1.0, float(rating.max()))
        highest = float(np.max(np.abs(heater.price_per_kwh))) or 1.0
        return _Scale(count, slot_s, rating, unit_w, highest * unit_w * slot_s / 3.6e6)

    def heat_cost(self, price_per_kwh: Profile) -> FloatArray:
        """Cost of one unit of heat in each slot."""
        price = np.broadcast_to(np.asarray(price_per_kwh, dtype=np.float64), (self.count,))
        return price * self.unit_w * self.slot_s / 3.6e6 / self.unit_money

    def border_cost(self, price_per_k_h: Profile) -> FloatArray:
        """Cost of one kelvin at each border but the first, shape (N,)."""
        price = np.asarray(price_per_k_h, dtype=np.float64)
        return np.broadcast_to(price, (self.count + 1,))[1:] * self.slot_s / 3600 / self.unit_money


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """One room in the programme: what feeds it, and the paths between which it stays."""

    room: Room
    heat_column: int
    share: float
    most_w: FloatArray  # its share of the rating, at most what it can take, shape (N,)
    modes: Modes
    free: FloatArray  # states without heat from now on, shape (N + 1, n)
    full: FloatArray  # states with all that the rating allows, supply limit apart

    @staticmethod
    def of(room: Room, heat_column: int, share: float, scale: _Scale) -> _Part:
        most = np.minimum(room.heat_max_w, share * scale.rating_w)
        return _Part(
            room=room,
            heat_column=heat_column,
            share=share,
            most_w=most,
            modes=modes_of(room.a, share * scale.unit_w * room.b_heat),
            free=room.states(0.0),
            full=room.states(most),
        )

    def path(self, columns: FloatArray, scale: _Scale) -> RoomPath:
        """Path of this room under the heat found."""
        heat = columns[self.heat_column : self.heat_column + scale.count]
        heat_w = np.clip(heat * self.share * scale.unit_w, 0.0, self.most_w)
        states = self.room.states(heat_w)
        air = states @ self.room.air_row
        short = np.maximum(0.0, self.room.lower_c - air)
        excess = np.zeros(scale.count + 1)
        for limit in self.room.limits:
            excess = np.maximum(excess, states @ limit.row - limit.upper_c)
        return RoomPath(heat_w, states, air, short, excess)


def _add_heat(sheet: Sheet, heater: Heater, scale: _Scale, feeds: int) -> list[int]:
    """Columns of heat, one block for each feed; rows of the rating and of the surplus."""
    count = scale.count
    cost = scale.heat_cost(heater.price_per_kwh)
    early = 2.0 - np.arange(count) / count
    cost = cost + PREFERENCE * early * float(np.abs(cost).max() or 1.0)
    most = scale.rating_w / scale.unit_w
    heats = [sheet.add_columns(cost, most) for _ in range(feeds)]
    each = sparse.eye_array(count, format="csr")
    if feeds > 1:
        sheet.add_below(most, *((heat, each) for heat in heats))
    rebate = np.broadcast_to(heater.rebate_per_kwh(), (count,))
    surplus = np.broadcast_to(np.asarray(heater.surplus_w, dtype=np.float64), (count,))
    cheap = np.flatnonzero((surplus > 0) & (rebate > 0))
    if len(cheap):
        first = sheet.add_columns(-scale.heat_cost(rebate)[cheap], surplus[cheap] / scale.unit_w)
        own = (first, sparse.eye_array(len(cheap)))
        sheet.add_below(np.zeros(len(cheap)), own, *((heat, -each[cheap]) for heat in heats))
    return heats


def _add_room(sheet: Sheet, part: _Part, scale: _Scale) -> None:
    """Columns of what heat adds to a room, and the rows that hold it to what is wanted."""
    room, modes, count = part.room, part.modes, scale.count
    size = len(modes.gain)
    sums = sheet.add_columns(np.zeros(count * size))  # at borders 1 to N, one border's together
    carried = sparse.eye_array(count * size) - sparse.kron(
        sparse.eye_array(count, k=-1), modes.step
    )
    fed = sparse.kron(sparse.eye_array(count), -modes.gain[:, None])
    sheet.add_equal(np.zeros(count * size), (sums, carried), (part.heat_column, fed))
    _add_wish(sheet, part, sums, scale)
    for limit in room.limits:
        _add_limit(sheet, part, limit, sums, scale)
    _add_output(sheet, part, sums, scale)


def _added(
    part: _Part, row: FloatArray, count: int, *, borders_before: int = 0
) -> sparse.csr_array:
    """What heat adds to ``row @ states`` at borders 1 to N, or so many borders before."""
    by_sum = (row @ part.modes.vectors)[None, :]
    at = sparse.eye_array(count, k=-borders_before)
    return sparse.csr_array(sparse.kron(at, by_sum))


def _add_wish(sheet: Sheet, part: _Part, sums: int, scale: _Scale) -> None:
    """Air at the wanted temperature, or short of it at its price."""
    room = part.room
    lacking = (room.lower_c - part.free @ room.air_row)[1:]
    cost = scale.border_cost(room.shortfall_price_per_k_h)
    at = np.flatnonzero((lacking > _SLACK_K) & (cost > 0))
    short = sheet.add_columns(cost[at])
    warmed = _added(part, room.air_row, scale.count)[at]
    sheet.add_below(-lacking[at], (sums, -warmed), (short, -sparse.eye_array(len(at))))


def _add_limit(sheet: Sheet, part: _Part, limit: Limit, sums: int, scale: _Scale) -> None:
    """An output below its limit, or above it at its price."""
    room_left = (limit.upper_c - part.free @ limit.row)[1:]
    reachable = (limit.upper_c - part.full @ limit.row)[1:] < 0
    cost = scale.border_cost(limit.price_per_k_h)
    at = np.flatnonzero(reachable & (cost > 0))
    over = sheet.add_columns(cost[at])
    warmed = _added(part, limit.row, scale.count)[at]
    sheet.add_below(room_left[at], (sums, warmed), (over, -sparse.eye_array(len(at))))


def _add_output(sheet: Sheet, part: _Part, sums: int, scale: _Scale) -> None:
    """Heat within what the room takes and what the supply limit lets through.

    Where even the unheated slab is too warm for any heat there must be none; elsewhere the
    path without heat keeps the row, so that rows never contradict each other.
    """
    base, slope = part.room.output_line()
    unheated = (base - part.free[:-1] @ slope) / scale.unit_w
    heated = (base - part.full[:-1] @ slope) / scale.unit_w
    most = part.most_w / scale.unit_w
    heat = sparse.eye_array(scale.count, format="csr") * part.share
    closed = np.where(unheated > 0, most, 0.0)
    below = np.flatnonzero(closed < part.share * scale.rating_w / scale.unit_w)
    sheet.add_below(closed[below], (part.heat_column, heat[below]))
    at = np.flatnonzero((unheated > 0) & (heated < most))
    warmed = _added(part, slope / scale.unit_w, scale.count, borders_before=1)[at]
    sheet.add_below(unheated[at], (part.heat_column, heat[at]), (sums, warmed))

"""The cheapest heating of a heater's zones, as shares of full heat in each slot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.planning.history import FloatArray
from controller.planning.network_case import ZoneCase
from controller.planning.tariff import Prices
from controller.planning.wishes_ahead import (
    Wish,
    frost_wish,
    late_heats,
    session_wish,
    start_worth_h,
)
from controller.planning.zone_state import Spread, folded, spread_ahead
from models.heated_room import Room
from models.programme import Heater, Programme, least_cost

ROUGH_STEP_S = 3600.0
"""Slots of the programme that only says where heat leads [s]."""
FROST_LOOK_S = 3 * 3600.0
FROST_NEAR_K = 0.5
"""Heat after which the room is this near to its frost floor, so much later or at any time after
that until its next session, was for frost."""


@dataclass(frozen=True, slots=True, eq=False)
class Heating:
    """A heater's programme.

    Parameters
    ----------
    rooms : tuple of Room
        The zones as the programme took them.
    programme : Programme
    spreads : tuple of Spread
        How far each zone's air may be off.
    duty : array, shape (slots,)
        Share of what the heater can give in each slot.
    for_frost : array of bool, shape (slots,)
        Whether what is given then only holds a frost floor.
    available_w : array, shape (slots,)
        What the heater can give as the slabs warm [W].
    """

    rooms: tuple[Room, ...]
    programme: Programme
    spreads: tuple[Spread, ...]
    duty: FloatArray
    for_frost: NDArray[np.bool_]
    available_w: FloatArray

    @property
    def frost_duty(self) -> FloatArray:
        """The share for a frost floor alone, shape (slots,)."""
        return np.asarray(self.duty * self.for_frost)


def cheapest(cases: Sequence[ZoneCase], prices: Prices) -> Heating:
    """Solve twice: without margins, to learn where heat leads and how far astray, then with them.

    Raises
    ------
    ProgrammeFailed
        Where the solver finds no answer.
    """
    rough_cases = [case.coarse(ROUGH_STEP_S) for case in cases]
    worth_h = [start_worth_h(case.best_hour_k()) for case in rough_cases]
    rough_rooms, rough = _solved(
        rough_cases,
        prices,
        [
            session_wish(c.limits, c.sessions, c.grid, None, start_h=start_h)
            for c, start_h in zip(rough_cases, worth_h, strict=True)
        ],
    )
    spreads = tuple(
        spread_ahead(case.state, coarse, path.heat_w, case.grid)
        for case, coarse, path in zip(cases, rough_cases, rough.rooms, strict=True)
    )
    cases = [
        case.led(c.grid, p.air_c)
        for case, c, p in zip(cases, rough_cases, rough.rooms, strict=True)
    ]
    lates = [
        late_heats(case.sessions, case.grid, room, path.heat_w)
        for case, room, path in zip(rough_cases, rough_rooms, rough.rooms, strict=True)
    ]
    rooms, programme = _solved(
        cases,
        prices,
        [
            session_wish(
                c.limits, c.sessions, c.grid, spread, late, shift_k=c.shift_k, start_h=start_h
            )
            for c, spread, late, start_h in zip(cases, spreads, lates, worth_h, strict=True)
        ],
    )
    return _heating(rooms, programme, spreads, cases)


def _heating(
    rooms: tuple[Room, ...],
    programme: Programme,
    spreads: tuple[Spread, ...],
    cases: Sequence[ZoneCase],
) -> Heating:
    available_w = _available_w(rooms, programme, cases)
    return Heating(
        rooms,
        programme,
        spreads,
        duty=_share(programme.heat_w, available_w),
        for_frost=_for_frost(programme, cases),
        available_w=available_w,
    )


def _solved(
    cases: Sequence[ZoneCase], prices: Prices, wishes: Sequence[Wish]
) -> tuple[tuple[Room, ...], Programme]:
    grid, price = cases[0].grid, usual_price(prices)
    fold = -(-len(prices.price_per_kwh) // grid.count)
    heater = Heater(
        rating_w=cases[0].rating_w,
        price_per_kwh=folded(prices.price_per_kwh, fold),
        surplus_w=folded(prices.surplus_w, fold),
        surplus_price_per_kwh=prices.surplus_price_per_kwh,
        shares=tuple(case.share for case in cases),
    )
    rooms = tuple(
        case.room(wish, price_per_kwh=price) for case, wish in zip(cases, wishes, strict=True)
    )
    return rooms, least_cost(rooms, heater, slot_s=grid.step_s)


def usual_price(prices: Prices) -> float:
    """What a kWh of comfort is worth: heat that costs nothing must not make it worthless."""
    usual, highest = np.mean(prices.price_per_kwh), np.max(np.abs(prices.price_per_kwh))
    return float(max(usual, 0.25 * highest, 1e-3))


def _available_w(
    rooms: Sequence[Room], programme: Programme, cases: Sequence[ZoneCase]
) -> FloatArray:
    """What the heater gives when on: the coolest return decides how far it is throttled."""
    most = [
        room.available_w(path.states) / case.share
        for room, path, case in zip(rooms, programme.rooms, cases, strict=True)
        if case.share > 0.0
    ]
    return np.asarray(np.min(most, axis=0))


def _for_frost(programme: Programme, cases: Sequence[ZoneCase]) -> NDArray[np.bool_]:
    """Where heat only holds a frost floor, shape (slots,).

    Some room comes back to it before its next session: what was given is gone by then. In the
    first hours after a slot it may still be there although heat for a session is on its way.
    """
    held = np.zeros(cases[0].grid.count, dtype=bool)
    for path, case in zip(programme.rooms, cases, strict=True):
        if case.share == 0.0:
            continue  # what is kept from a zone is not for its frost floor
        above_k = path.air_c - frost_wish(case.limits, case.grid).lower_c
        held |= _least_until_a_session(above_k, case) < FROST_NEAR_K
    return held


def _least_until_a_session(above_k: FloatArray, case: ZoneCase) -> FloatArray:
    """The least value from some hours after each slot until the next session, shape (slots,)."""
    grid = case.grid
    ahead = round(FROST_LOOK_S / grid.step_s)
    starts = {int((s.start_s - grid.start_s) // grid.step_s) for s in case.sessions}
    least, start = np.empty(grid.count), grid.count
    from_edge = np.array(above_k)  # from each edge until the next session
    for k in range(grid.count - 1, -1, -1):
        if k + 1 in starts:
            start = k + 1
        else:
            from_edge[k + 1] = min(from_edge[k + 1], from_edge[min(k + 2, grid.count)])
        least[k] = from_edge[min(k + ahead, start)]
    return least


def _share(heat_w: FloatArray, available_w: FloatArray) -> FloatArray:
    duty = np.divide(heat_w, available_w, out=np.zeros_like(heat_w), where=available_w > 1.0)
    return np.asarray(np.clip(duty, 0.0, 1.0))

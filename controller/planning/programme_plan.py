"""The cheapest heating of a heater's zones, as shares of full heat in each slot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

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
"""Heat after which the room is this near to its frost floor so much later was for frost."""


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
    duty, frost_duty : array, shape (slots,)
        Share of what the heater can give in each slot: in all, and for the frost floor alone.
    available_w : array, shape (slots,)
        What the heater can give as the slabs warm [W].
    """

    rooms: tuple[Room, ...]
    programme: Programme
    spreads: tuple[Spread, ...]
    duty: FloatArray
    frost_duty: FloatArray
    available_w: FloatArray


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
    duty = _share(programme.heat_w, available_w)
    return Heating(
        rooms,
        programme,
        spreads,
        duty=duty,
        frost_duty=duty * _for_frost(rooms, programme, cases),
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


def _for_frost(
    rooms: Sequence[Room], programme: Programme, cases: Sequence[ZoneCase]
) -> FloatArray:
    """Where heat only holds a frost floor: some room is at it a few hours later, shape (slots,)."""
    grid = cases[0].grid
    ahead = min(round(FROST_LOOK_S / grid.step_s), grid.count)
    later = np.minimum(np.arange(grid.count) + ahead, grid.count)
    held = np.zeros(grid.count, dtype=bool)
    for path, case in zip(programme.rooms, cases, strict=True):
        if case.share == 0.0:
            continue  # what is kept from a zone is not for its frost floor
        floor_c = frost_wish(case.limits, grid).lower_c
        held |= path.air_c[later] < floor_c[later] + FROST_NEAR_K
    return np.asarray(held, dtype=np.float64)


def _share(heat_w: FloatArray, available_w: FloatArray) -> FloatArray:
    duty = np.divide(heat_w, available_w, out=np.zeros_like(heat_w), where=available_w > 1.0)
    return np.asarray(np.clip(duty, 0.0, 1.0))

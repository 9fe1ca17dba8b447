"""Rooms to plan for, and the least-cost programme written down a second way."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.linalg import expm
from scipy.optimize import linprog

from models.heated_room import Limit, Room, SupplyLimit
from models.programme import PREFERENCE, Heater, Programme

SLOT_S = 900.0
FULL_W = 8000.0
SLAB, AIR = np.array([1.0, 0.0]), np.array([0.0, 1.0])


def room_of(plant: Any, lower_c: np.ndarray, *, slot_s: float = SLOT_S, **changed: Any) -> Room:
    """Build a two-node room from 8 and 6 °C, -5 °C outdoors, 9 °C in the ground."""
    ad, bd = plant.matrices(slot_s)
    fields: dict[str, Any] = {
        "a": ad,
        "b_heat": bd[:, 0],
        "disturbance_k": np.tile(bd[:, 1] * -5.0 + bd[:, 2] * 9.0, (len(lower_c) - 1, 1)),
        "start_c": np.array([8.0, 6.0]),
        "air_row": AIR,
        "lower_c": lower_c,
        "shortfall_price_per_k_h": 1000.0,
        "heat_max_w": FULL_W,
    }
    return Room(**(fields | changed))


def only_at(count: int, border: int, wanted_c: float) -> np.ndarray:
    """One temperature wanted at one border."""
    lower = np.full(count + 1, -np.inf)
    lower[border] = wanted_c
    return lower


def random_room(rng: np.random.Generator, count: int) -> Room:
    """One to three capacities in a row, the air last, with sessions, a slab and a supply limit."""
    size = int(rng.integers(1, 4))
    capacity = 10.0 ** rng.uniform(6.3, 7.5, size)
    to_outdoors, between = rng.uniform(20.0, 150.0, size), rng.uniform(100.0, 500.0, size - 1)
    flow = -np.diag(to_outdoors)
    for left, conductance in enumerate(between):
        pair = np.ix_([left, left + 1], [left, left + 1])
        flow[pair] += conductance * np.array([[-1.0, 1.0], [1.0, -1.0]])
    whole = np.zeros((size + 2, size + 2))
    whole[:size, :size] = flow / capacity[:, None]
    whole[0, size], whole[:size, size + 1] = 1.0 / capacity[0], to_outdoors / capacity
    whole = expm(whole * SLOT_S)
    lower = np.where(rng.random(count + 1) < 0.3, rng.uniform(8.0, 20.0), -np.inf)
    slab = np.eye(size)[0]
    return Room(
        a=whole[:size, :size],
        b_heat=whole[:size, size],
        disturbance_k=rng.uniform(-8.0, 5.0, (count, 1)) * whole[:size, size + 1],
        start_c=rng.uniform(6.0, 12.0, size),
        air_row=np.eye(size)[-1],
        lower_c=lower,
        shortfall_price_per_k_h=float(rng.choice([0.5, 5.0, 100.0])),
        heat_max_w=float(rng.uniform(3000.0, 10000.0)),
        limits=(Limit(slab, rng.uniform(12.0, 30.0, count + 1), 50.0),),
        supply=SupplyLimit(slab, rng.uniform(150.0, 500.0), rng.uniform(20.0, 45.0)),
    )


def random_heater(rng: np.random.Generator, count: int, rooms: int) -> Heater:
    """Time-of-use price, sun on some slots, valves or none."""
    return Heater(
        rating_w=float(rng.uniform(4000.0, 9000.0)),
        price_per_kwh=rng.choice([0.1, 0.2, 0.35], count),
        surplus_w=np.where(rng.random(count) < 0.3, 3000.0, 0.0),
        surplus_price_per_kwh=0.08,
        shares=tuple(rng.dirichlet(np.ones(rooms))) if rng.random() < 0.4 else None,
    )


def paid(programme: Programme, rooms: Sequence[Room], heater: Heater) -> float:
    """All that a programme is charged for: heat, shortfall, limits, and liking it late."""
    hours, count = SLOT_S / 3600.0, rooms[0].count
    early = 2.0 - np.arange(count) / count
    preference = PREFERENCE * np.max(np.abs(heater.price_per_kwh)) * early
    total = heater.cost(programme.heat_w, slot_s=SLOT_S)
    total += float(preference @ programme.heat_w) * hours / 1000.0
    for room, path in zip(rooms, programme.rooms, strict=True):
        short = np.maximum(0.0, room.lower_c - path.states @ room.air_row)[1:]
        total += float(np.sum(short * room.shortfall_price_per_k_h)) * hours
        for limit in room.limits:
            over = np.maximum(0.0, path.states @ limit.row - limit.upper_c)[1:]
            total += float(over.sum()) * limit.price_per_k_h * hours
    return total


def least_paid(rooms: Sequence[Room], heater: Heater, method: str) -> float:
    """The same programme with the states themselves as variables and no row left out."""
    count = rooms[0].count
    sheet = _Dense()
    grid = [sheet.column(_grid_cost(heater, k, count)) for k in range(count)]
    own = [sheet.column(*_own_cost(heater, k, count)) for k in range(count)]
    rating = np.broadcast_to(heater.rating_w, (count,))
    heats = []
    for index, room in enumerate(rooms):
        heat = [sheet.column(0.0, room.heat_max_w) for _ in range(count)]
        _write_room(sheet, room, heat)
        heats.append(heat)
        if heater.shares is not None:
            for k in range(count):
                parts = {grid[k]: -heater.shares[index], own[k]: -heater.shares[index]}
                sheet.equal.append(({heat[k]: 1.0, **parts}, 0.0))
    for k in range(count):
        all_heat = {heat[k]: 1.0 for heat in heats}
        sheet.equal.append(({**all_heat, grid[k]: -1.0, own[k]: -1.0}, 0.0))
        sheet.below.append((all_heat, float(rating[k])))
    return sheet.least(method)


def _grid_cost(heater: Heater, k: int, count: int) -> float:
    price = np.broadcast_to(heater.price_per_kwh, (count,))
    early = PREFERENCE * float(price.max()) * (2.0 - k / count)
    return float(price[k] + early) * SLOT_S / 3.6e6


def _own_cost(heater: Heater, k: int, count: int) -> tuple[float, float]:
    price = np.broadcast_to(heater.price_per_kwh, (count,))
    gap = price[k] - np.broadcast_to(heater.surplus_price_per_kwh, (count,))[k]
    cheaper = max(0.0, float(gap)) * SLOT_S / 3.6e6
    surplus = float(np.broadcast_to(heater.surplus_w, (count,))[k])
    return _grid_cost(heater, k, count) - cheaper, surplus


def _write_room(sheet: _Dense, room: Room, heat: list[int]) -> None:
    size, hours = len(room.start_c), SLOT_S / 3600.0
    before: list[int] | None = None
    for k in range(room.count):
        after = [sheet.column(0.0, np.inf, -np.inf) for _ in range(size)]
        for i in range(size):
            row = {after[i]: 1.0, heat[k]: -room.b_heat[i]}
            right = room.disturbance_k[k, i]
            if before is None:
                right += room.a[i] @ room.start_c
            else:
                row |= {before[j]: -room.a[i, j] for j in range(size)}
            sheet.equal.append((row, float(right)))
        _write_output(sheet, room, heat[k], before, after)
        if np.isfinite(room.lower_c[k + 1]):
            short = sheet.column(float(room.shortfall_price_per_k_h) * hours)
            air = {after[i]: -room.air_row[i] for i in range(size)}
            sheet.below.append(({**air, short: -1.0}, -room.lower_c[k + 1]))
        for limit in room.limits:
            over = sheet.column(limit.price_per_k_h * hours)
            hot = {after[i]: limit.row[i] for i in range(size)}
            sheet.below.append(({**hot, over: -1.0}, np.asarray(limit.upper_c)[k + 1]))
        before = after


def _write_output(
    sheet: _Dense, room: Room, heat: int, before: list[int] | None, after: list[int]
) -> None:
    """Heat up to the conductance times supply less the mean of the slot's two borders."""
    supply = room.supply
    assert supply is not None
    half = 0.5 * supply.conductance_w_k
    row = {heat: 1.0} | {after[i]: half * supply.row[i] for i in range(len(after))}
    right = supply.conductance_w_k * supply.supply_c
    if before is None:
        right -= half * float(supply.row @ room.start_c)
    else:
        row |= {before[i]: half * supply.row[i] for i in range(len(after))}
    sheet.below.append((row, right))


class _Dense:
    """A small programme with dense rows."""

    def __init__(self) -> None:
        self.cost: list[float] = []
        self.bounds: list[tuple[float, float]] = []
        self.equal: list[tuple[dict[int, float], float]] = []
        self.below: list[tuple[dict[int, float], float]] = []

    def column(self, cost: float, upper: float = np.inf, lower: float = 0.0) -> int:
        self.cost.append(cost)
        self.bounds.append((lower, upper))
        return len(self.cost) - 1

    def least(self, method: str) -> float:
        found = linprog(
            self.cost,
            *self._dense(self.below),
            *self._dense(self.equal),
            bounds=self.bounds,
            method=method,
        )
        assert found.status == 0, found.message
        return float(found.fun)

    def _dense(self, rows: list[tuple[dict[int, float], float]]) -> tuple[np.ndarray, np.ndarray]:
        matrix = np.zeros((len(rows), len(self.cost)))
        for index, (row, _) in enumerate(rows):
            for column, value in row.items():
                matrix[index, column] = value
        return matrix, np.array([right for _, right in rows])

"""The least-cost programme against closed forms, brute force, and itself written another way."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from models.first_order import FirstOrder
from models.heated_room import Limit, Room, SupplyLimit
from models.linear_programme import ProgrammeFailed
from models.programme import Heater, Programme, RoomPath, least_cost
from models.timetable import least_heat
from tests.models.rooms import (
    AIR,
    FULL_W,
    SLAB,
    SLOT_S,
    least_paid,
    only_at,
    paid,
    random_heater,
    random_room,
    room_of,
)

FLAT = Heater(FULL_W, 0.3)


def planned(room: Room, heater: Heater = FLAT, *, slot_s: float = SLOT_S) -> RoomPath:
    """A programme for one room."""
    return least_cost([room], heater, slot_s=slot_s).rooms[0]


def kwh(path: RoomPath, *, slot_s: float = SLOT_S) -> float:
    """All heat of a room."""
    return float(path.heat_w.sum()) * slot_s / 3.6e6


@pytest.mark.parametrize(
    ("name", "cut_h", "peak_h", "energy_kwh"),
    [("set_a", 19.922739, 20.546742, 159.382), ("set_b", 16.414925, 19.740946, 131.319)],
)
def test_heat_stops_so_that_the_peak_is_the_target(
    name: str, cut_h: float, peak_h: float, energy_kwh: float, request: pytest.FixtureRequest
) -> None:
    """Room 18 °C at the session's start and never above: the closed-form cut-off, within a slot.

    Two-node sets A and B, from the eigenvalues (elementary linear equations; scipy, python-control
    agree). The energy is off by what it costs that one slot is heated
    evenly and in part: less than a minute of full heat, 0.1 kWh.
    """
    slot_s = peak_h * 3600.0 / 82
    upper = np.full(123, 18.0)
    room = room_of(
        request.getfixturevalue(name),
        only_at(122, 82, 18.0),
        slot_s=slot_s,
        limits=(Limit(AIR, upper, 1000.0),),
    )
    path = planned(room, slot_s=slot_s)
    cut = cut_h * 3600.0 / slot_s
    assert kwh(path, slot_s=slot_s) == pytest.approx(energy_kwh, abs=0.1)
    assert path.heat_w[: int(cut) - 1] == pytest.approx(FULL_W)
    assert path.heat_w[int(cut) + 2 :] == pytest.approx(0.0, abs=1e-6)
    assert path.air_c.max() == pytest.approx(18.0, abs=1e-5)


@pytest.mark.parametrize("name", ["set_a", "set_b"])
def test_one_target_is_met_by_the_shortest_block(name: str, request: pytest.FixtureRequest) -> None:
    """A target at the start alone: begun late and stopped early, as brute force has it.

    Full heat in one block is least for a response that first rises, then falls. Of all blocks
    that reach 18 °C at 26 h the shortest is found by trying every minute of its end.
    """
    plant = request.getfixturevalue(name)
    path = planned(room_of(plant, only_at(110, 104, 18.0)))
    start_s, stop_s = shortest_block(plant, at_s=26 * 3600.0, wanted_c=18.0)
    heated = np.flatnonzero(path.heat_w > 1.0)
    assert heated[0] * SLOT_S == pytest.approx(start_s, abs=SLOT_S)
    assert (heated[-1] + 1) * SLOT_S == pytest.approx(stop_s, abs=SLOT_S)
    assert stop_s < 26 * 3600.0 - SLOT_S
    # the slots cannot end between quarters: a few thousandths more heat
    assert kwh(path) == pytest.approx((stop_s - start_s) * FULL_W / 3.6e6, rel=2e-3)
    assert path.shortfall_k.max() < 1e-6


def shortest_block(plant: Any, *, at_s: float, wanted_c: float) -> tuple[float, float]:
    """Start and end of the shortest block of full heat with which the room is warm at a time."""

    def rise_k(seconds: float) -> float:
        return float(plant.matrices(seconds)[1][1, 0]) * FULL_W

    ad, bd = plant.matrices(at_s)
    free_c = float((ad @ [8.0, 6.0] + bd @ [0.0, -5.0, 9.0])[1])
    blocks = []
    for stop_s in np.arange(at_s - 4 * 3600.0, at_s + 1.0, 60.0):
        needed_k = wanted_c - free_c + rise_k(at_s - stop_s)
        if rise_k(at_s) > needed_k > 0:
            lead_s = brentq(lambda s, k=needed_k: rise_k(s) - k, at_s - stop_s, at_s)
            blocks.append((at_s - lead_s, float(stop_s)))
    return min(blocks, key=lambda block: block[1] - block[0])


def test_a_session_ends_on_stored_heat(set_b: Any) -> None:
    """Room wanted from 30 h to 36 h: the last hour of the session has no heat at all."""
    lower = np.full(161, -np.inf)
    lower[120:145] = 18.0
    path = planned(room_of(set_b, lower))
    assert path.heat_w[100] > 0
    assert path.heat_w[140:].sum() == pytest.approx(0.0, abs=1e-6)
    assert path.shortfall_k.max() < 1e-6


@pytest.mark.parametrize("seed", range(12))
def test_a_single_state_agrees_with_the_first_order_timetable(seed: int) -> None:
    """One capacity, no dead time: the same energy as the latest possible heating.

    Tolerance: what the preference for late heat may move.
    """
    rng = np.random.default_rng(seed)
    model = FirstOrder(rng.uniform(4, 40) * 3600.0, rng.uniform(0.004, 0.01), 0.0)
    outdoor = rng.uniform(-8.0, 6.0) + rng.normal(0.0, 1.0, 80)
    lower = np.full(81, 5.0)
    lower[rng.integers(25, 60) :][:8] = rng.uniform(8.0, 14.0)
    table = least_heat(
        model,
        start_c=9.0,
        pending_w=[],
        outdoor_c=outdoor,
        sun_w_m2=0.0,
        lower_c=lower,
        power_w=FULL_W,
        slot_s=SLOT_S,
    )
    decay = np.exp(-SLOT_S / model.time_constant_s)
    room = Room(
        a=np.array([[decay]]),
        b_heat=np.array([model.gain_k_per_w * (1.0 - decay)]),
        disturbance_k=outdoor[:, None] * (1.0 - decay),
        start_c=np.array([9.0]),
        air_row=np.array([1.0]),
        lower_c=lower,
        shortfall_price_per_k_h=1e4,
        heat_max_w=FULL_W,
    )
    path = planned(room)
    assert path.shortfall_k == pytest.approx(table.shortfall_k, abs=1e-5)
    assert path.heat_w.sum() == pytest.approx(table.heat_w.sum(), rel=1e-4, abs=1.0)
    assert path.air_c == pytest.approx(table.air_c, abs=1e-3)


@pytest.mark.parametrize("seed", range(6))
def test_no_other_heating_is_cheaper(seed: int) -> None:
    """Five slots, every combination of six levels that the supply limit allows: none costs less."""
    rng = np.random.default_rng(seed)
    room, heater = random_room(rng, 5), Heater(9000.0, rng.choice([0.1, 0.3], 5))
    best = paid(least_cost([room], heater, slot_s=SLOT_S), [room], heater)
    most = min(9000.0, float(np.max(room.heat_max_w)))
    tried = []
    for levels in itertools.product(np.linspace(0.0, most, 6), repeat=5):
        heat = np.array(levels)
        states = room.states(heat)
        if (heat <= room.available_w(states) + 1e-9).all():
            other = RoomPath(heat, states, states @ room.air_row, np.zeros(6), np.zeros(6))
            tried.append(paid(Programme((other,), 0.0), [room], heater))
    assert len(tried) > 5
    assert best <= min(tried) + 1e-6


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from(["highs-ds", "highs-ipm"]), st.integers(1, 3))
def test_the_states_themselves_as_variables_give_the_same(
    seed: int, method: str, count_of_rooms: int
) -> None:
    """Modes, left-out rows and units change no answer: what is paid equals the plain programme's.

    Rooms of one to three states, time-of-use price, own surplus, slab and supply limits, with
    valves or fixed shares. Tolerance: the solver's own, 1e-7 on rows near 1.
    """
    rng = np.random.default_rng(seed)
    rooms = [random_room(rng, 16) for _ in range(count_of_rooms)]
    heater = random_heater(rng, 16, count_of_rooms)
    programme = least_cost(rooms, heater, slot_s=SLOT_S)
    assert (programme.heat_w <= np.asarray(heater.rating_w) + 1e-6).all()
    assert paid(programme, rooms, heater) == pytest.approx(
        least_paid(rooms, heater, method), rel=1e-5, abs=1e-5
    )


def test_rooms_without_valves_share_the_heat(set_a: Any, set_b: Any) -> None:
    """Fixed shares: each slot's heat is split alike, and the colder room decides."""
    rooms = [room_of(plant, only_at(100, 90, 9.0)) for plant in (set_a, set_b)]
    programme = least_cost(rooms, Heater(FULL_W, 0.3, shares=(0.6, 0.4)), slot_s=SLOT_S)
    first, second = programme.rooms
    assert first.heat_w * 0.4 == pytest.approx(second.heat_w * 0.6)
    spare = [path.air_c[90] - 9.0 for path in programme.rooms]
    assert min(spare) == pytest.approx(0.0, abs=1e-5)


def test_rooms_with_valves_take_turns(set_a: Any) -> None:
    """Two rooms for one session on 10 kW: together never more, both ready, begun earlier."""
    rooms = [room_of(set_a, only_at(160, 150, 15.0)) for _ in range(2)]
    alone = planned(rooms[0])
    both = least_cost(rooms, Heater(10_000.0, 0.3), slot_s=SLOT_S)
    assert both.heat_w.max() <= 10_000.0 + 1e-6
    assert max(path.shortfall_k.max() for path in both.rooms) < 1e-6
    assert np.flatnonzero(both.heat_w > 1)[0] < np.flatnonzero(alone.heat_w > 1)[0]


def test_out_of_reach_is_said_not_raised(set_a: Any) -> None:
    """60 °C in ten hours: full heat from now on until it no longer helps, and what is lacking."""
    path = planned(room_of(set_a, only_at(50, 40, 60.0)))
    assert path.heat_w[:38] == pytest.approx(FULL_W)
    assert path.shortfall_k[40] == pytest.approx(60.0 - path.air_c[40])
    assert path.heat_w[40:].sum() == pytest.approx(0.0, abs=1e-6)


def test_a_slab_limit_is_kept_and_one_exceeded_now_is_said(set_b: Any) -> None:
    """The slab stays below 24 °C; where it is at 30 °C now, the excess is shown, not an error."""
    limit = (Limit(SLAB, 24.0, 1e5),)
    path = planned(room_of(set_b, only_at(120, 110, 30.0), limits=limit))
    slab = path.states @ SLAB
    assert slab.max() == pytest.approx(24.0, abs=1e-5)
    assert path.excess_k.max() < 1e-5
    hot = planned(
        room_of(set_b, only_at(120, 110, 30.0), limits=limit, start_c=np.array([30.0, 6.0]))
    )
    assert hot.excess_k[0] == pytest.approx(6.0)
    assert hot.heat_w[: np.flatnonzero(hot.excess_k > 1e-5)[-1]].sum() == pytest.approx(0.0)


def test_output_falls_as_the_slab_nears_the_supply(set_b: Any) -> None:
    """Supply at most 40 °C over 250 W/K: heat is at most 250 (40 - slab) and so starts earlier.

    The slab is that in the middle of the slot, as the mean of its borders: 1 W.
    """
    lower = only_at(130, 120, 17.0)
    free = planned(room_of(set_b, lower))
    path = planned(room_of(set_b, lower, supply=SupplyLimit(SLAB, 250.0, 40.0)))
    slab = path.states @ SLAB
    allowed = 250.0 * (40.0 - 0.5 * (slab[:-1] + slab[1:]))
    assert (path.heat_w <= allowed + 1.0).all()
    heated = path.heat_w > 1.0
    assert (np.abs(path.heat_w - np.minimum(allowed, FULL_W))[heated] < 1.0).mean() > 0.9
    assert path.shortfall_k.max() < 1e-6
    assert np.flatnonzero(heated)[0] < np.flatnonzero(free.heat_w > 1.0)[0]


def test_a_slab_hotter_than_the_supply_takes_no_heat(set_b: Any) -> None:
    """Tubes above the hottest supply: no heat until they are below it, and no failure."""
    room = room_of(
        set_b,
        only_at(60, 50, 30.0),
        start_c=np.array([45.0, 6.0]),
        supply=SupplyLimit(SLAB, 250.0, 40.0),
    )
    path = planned(room)
    slab = path.states @ SLAB
    assert path.heat_w[slab[:-1] > 40.5].sum() == 0.0
    assert path.heat_w.sum() > 0.0


def test_heat_moves_to_the_cheap_hours(set_b: Any) -> None:
    """Night at a third of the price: the bill is lower than that of the flat programme's heat."""
    night = np.where(np.arange(160) % 96 < 28, 0.1, 0.3)
    room = room_of(set_b, only_at(160, 150, 16.0))
    dear = planned(room)
    tariff = Heater(FULL_W, night)
    cheap = planned(room, tariff)
    assert cheap.shortfall_k.max() < 1e-6
    assert tariff.cost(cheap.heat_w, slot_s=SLOT_S) < 0.9 * tariff.cost(dear.heat_w, slot_s=SLOT_S)
    assert kwh(cheap) > kwh(dear)


def test_own_surplus_is_used_up_to_what_there_is(set_b: Any) -> None:
    """3 kW of sun at noon, free of cost: taken where it helps, at most 3 kW of it counted."""
    noon = np.where(np.abs(np.arange(160) % 96 - 50) < 10, 3000.0, 0.0)
    sunny = Heater(FULL_W, 0.3, surplus_w=noon, surplus_price_per_kwh=0.0)
    path = planned(room_of(set_b, only_at(160, 150, 16.0)), sunny)
    in_time = (noon > 0) & (np.arange(160) < 140)
    assert (path.heat_w[in_time] >= 3000.0 - 1e-3).all()
    billed = np.maximum(0.0, path.heat_w - noon).sum() * SLOT_S / 3.6e6 * 0.3
    assert sunny.cost(path.heat_w, slot_s=SLOT_S) == pytest.approx(billed)


def test_surplus_dearer_than_the_grid_counts_as_the_grid() -> None:
    """A surplus price above the price changes no bill."""
    heat = np.full(4, 2000.0)
    odd = Heater(FULL_W, 0.1, surplus_w=1000.0, surplus_price_per_kwh=0.4)
    assert odd.cost(heat, slot_s=3600.0) == pytest.approx(0.8)


def test_free_heat_is_not_wasted_and_paid_heat_is_taken_to_the_limit(set_b: Any) -> None:
    """Price 0: little more heat than at any other; below 0: as much as the slab limit lets in."""
    limits = (Limit(SLAB, 24.0, 1e5),)
    room = room_of(set_b, only_at(100, 90, 12.0), limits=limits)
    needed = planned(room)
    assert kwh(planned(room, Heater(FULL_W, 0.0))) == pytest.approx(kwh(needed), rel=0.05)
    gladly = planned(room, Heater(FULL_W, -0.1))
    assert kwh(gladly) > 1.5 * kwh(needed)
    assert (gladly.states @ SLAB).max() == pytest.approx(24.0, abs=1e-4)


def test_of_equal_heatings_the_later_is_taken() -> None:
    """A room that loses nothing: heat stands in the last slots before it is wanted."""
    room = Room(
        a=np.eye(1),
        b_heat=np.array([1e-4]),
        disturbance_k=np.zeros((96, 1)),
        start_c=np.array([10.0]),
        air_row=np.ones(1),
        lower_c=only_at(96, 80, 14.0),
        shortfall_price_per_k_h=1000.0,
        heat_max_w=FULL_W,
    )
    path = planned(room)
    assert path.heat_w[75:80] == pytest.approx(FULL_W)
    assert path.heat_w[:75].sum() == pytest.approx(0.0, abs=1e-3)


def test_delays_held_as_states_are_planned_for() -> None:
    """Heat that acts three slots later through a chain of states: asked for three slots earlier.

    A matrix of delays has no full set of modes, so that the states serve as they are.
    """
    chain = np.zeros((4, 4))
    chain[1, 0] = chain[2, 1] = 1.0
    chain[3, 2], chain[3, 3] = 1.0, 0.99
    room = Room(
        a=chain,
        b_heat=np.array([1e-4, 0.0, 0.0, 0.0]),
        disturbance_k=np.zeros((60, 4)),
        start_c=np.array([0.0, 0.0, 0.0, 10.0]),
        air_row=np.array([0.0, 0.0, 0.0, 1.0]),
        lower_c=only_at(60, 50, 12.0),
        shortfall_price_per_k_h=1000.0,
        heat_max_w=FULL_W,
    )
    path = planned(room)
    assert path.shortfall_k.max() < 1e-6
    assert path.heat_w[46] == pytest.approx(FULL_W)
    assert path.heat_w[47:].sum() == pytest.approx(0.0, abs=1e-3)


def test_a_solver_out_of_time_is_a_sentence(set_a: Any) -> None:
    """No time for the solver: an error that says so, in words."""
    with pytest.raises(ProgrammeFailed, match="within 1e-09 s"):
        least_cost(
            [room_of(set_a, only_at(200, 190, 18.0))], FLAT, slot_s=SLOT_S, time_limit_s=1e-9
        )


@pytest.mark.parametrize(
    ("heater", "said"),
    [
        (Heater(FULL_W, np.nan), "prices"),
        (Heater(-1.0, 0.3), "not below 0"),
        (Heater(FULL_W, 0.3, surplus_w=np.inf), "finite"),
        (Heater(FULL_W, 0.3, shares=(0.5, 0.5)), "one share for each"),
    ],
)
def test_a_heater_that_makes_no_sense_is_refused(heater: Heater, said: str, set_a: Any) -> None:
    """Missing prices, negative power, shares that do not fit: a plain message."""
    with pytest.raises(ValueError, match=said):
        least_cost([room_of(set_a, only_at(10, 9, 18.0))], heater, slot_s=SLOT_S)


def test_rooms_over_different_slots_are_refused(set_a: Any) -> None:
    """All rooms of a heater are planned over the same slots."""
    rooms = [room_of(set_a, only_at(count, 5, 18.0)) for count in (10, 11)]
    with pytest.raises(ValueError, match="same number of slots"):
        least_cost(rooms, FLAT, slot_s=SLOT_S)


def test_the_path_is_that_of_the_heat() -> None:
    """A week: the path returned is that of the heat returned, slot by slot."""
    rng = np.random.default_rng(5)
    room = random_room(rng, 672)
    path = planned(room)
    states = room.start_c
    for k in range(672):
        states = room.a @ states + room.disturbance_k[k] + room.b_heat * path.heat_w[k]
    assert path.states[-1] == pytest.approx(states, abs=1e-9)

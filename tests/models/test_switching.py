"""On-times that follow a programme, against the plant switched minute by minute."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.heated_room import Room, SupplyLimit
from models.programme import Heater, RoomPath, least_cost
from models.switching import TOLERATED_K, SwitchedPath, timetable_of
from tests.models.rooms import FULL_W, SLAB, SLOT_S, room_of

PULSE_S = 1200.0
START = 120


def switched(
    plant: Any, wanted_c: float, *, starts: tuple[int, ...] = (START,), **changed: Any
) -> tuple[RoomPath, SwitchedPath]:
    """A session of three hours from 30 h on, planned and switched."""
    lower = np.full(161, 5.0)
    lower[START : START + 13] = wanted_c
    room = room_of(plant, lower, supply=SupplyLimit(SLAB, 350.0, 48.0), **changed)
    path = least_cost([room], Heater(FULL_W, 0.3), slot_s=SLOT_S).rooms[0]
    found = timetable_of(
        room,
        path,
        slot_s=SLOT_S,
        min_on_s=PULSE_S,
        min_off_s=PULSE_S,
        heating=False,
        since_s=1e6,
        starts=starts,
    )
    return path, found


@pytest.mark.parametrize("name", ["set_a", "set_b"])
def test_the_air_is_that_of_the_plant_switched_by_the_second(
    name: str, request: pytest.FixtureRequest
) -> None:
    """Heat that begins and ends within slots: exact, as the plant's own matrices have it.

    The plant is stepped from one switching or slot border to the next.
    """
    plant = request.getfixturevalue(name)
    path, found = switched(plant, 15.0)
    supply_w = 350.0 * (48.0 - 0.5 * (path.states[:-1] + path.states[1:]) @ SLAB)
    edges = {edge for interval in found.on_times for edge in interval}
    times = sorted(edges | set(np.arange(161) * SLOT_S))
    states, air = np.array([8.0, 6.0]), [6.0]
    for begin_s, end_s in itertools.pairwise(times):
        slot = int(begin_s // SLOT_S)
        on = any(start <= begin_s < stop for start, stop in found.on_times)
        full = min(FULL_W, float(supply_w[slot]))
        ad, bd = plant.matrices(end_s - begin_s)
        states = ad @ states + bd @ np.array([full if on else 0.0, -5.0, 9.0])
        if end_s % SLOT_S == 0:
            air.append(float(states[1]))
    # where the supply limit binds, its line and the path differ by what one slot heats more
    assert found.air_c == pytest.approx(np.array(air), abs=2e-3)


@pytest.mark.parametrize("name", ["set_a", "set_b"])
@pytest.mark.parametrize("wanted_c", [11.3, 13.0, 14.2, 15.1, 16.4])
def test_the_session_begins_as_planned(
    name: str, wanted_c: float, request: pytest.FixtureRequest
) -> None:
    """Room at the start within the tolerated error, and every time on and off long enough."""
    path, found = switched(request.getfixturevalue(name), wanted_c)
    assert found.air_c[START] == pytest.approx(path.air_c[START], abs=TOLERATED_K)
    stopped_s = -PULSE_S
    for start_s, stop_s in found.on_times:
        assert start_s - stopped_s >= PULSE_S - 1e-6
        assert stop_s - start_s >= PULSE_S - 1e-6
        stopped_s = stop_s


def test_mending_is_needed_and_does_it(set_a: Any) -> None:
    """Left alone, on-times miss the start by more than is tolerated; shifting one end mends it."""
    wishes = np.arange(11.0, 17.0, 0.4)
    left = [switched(set_a, wish, starts=()) for wish in wishes]
    mended = [switched(set_a, wish) for wish in wishes]
    errors = [[abs(f.air_c[START] - p.air_c[START]) for p, f in both] for both in (left, mended)]
    assert max(errors[0]) > TOLERATED_K
    assert max(errors[1]) <= TOLERATED_K


@pytest.mark.parametrize("seed", range(8))
def test_mending_keeps_the_minimum_times(seed: int, set_a: Any) -> None:
    """A thin slab, three sessions, many pulses: no mended time on or off is too short."""
    rng = np.random.default_rng(seed)
    thin = replace(set_a, slab_j_k=4e6, room_j_k=1.5e6, slab_room_w_k=500.0)
    starts = tuple(int(border) for border in np.sort(rng.integers(30, 140, 3)))
    lower = np.full(161, 5.0)
    for start in starts:
        lower[start : start + 14] = rng.uniform(14.0, 19.0)
    room = room_of(thin, lower)
    path = least_cost([room], Heater(FULL_W, 0.3), slot_s=SLOT_S).rooms[0]
    since_s = float(rng.uniform(0.0, 3000.0))
    found = timetable_of(
        room,
        path,
        slot_s=SLOT_S,
        min_on_s=PULSE_S,
        min_off_s=PULSE_S,
        heating=False,
        since_s=since_s,
        starts=starts,
    )
    stopped_s = -since_s
    for start_s, stop_s in found.on_times:
        assert start_s - stopped_s >= PULSE_S - 1e-6
        assert stop_s - start_s >= PULSE_S - 1e-6 or stop_s == 160 * SLOT_S
        stopped_s = stop_s


def test_a_running_heater_keeps_its_minimum_time(set_b: Any) -> None:
    """On for five minutes and nothing wanted: it stays on for the rest of its minimum, no more."""
    room = room_of(set_b, np.full(41, -np.inf))
    path = least_cost([room], Heater(FULL_W, 0.3), slot_s=SLOT_S).rooms[0]
    found = timetable_of(
        room,
        path,
        slot_s=SLOT_S,
        min_on_s=PULSE_S,
        min_off_s=PULSE_S,
        heating=True,
        since_s=300.0,
        starts=(20,),
    )
    assert np.array(found.on_times) == pytest.approx(np.array([[0.0, PULSE_S - 300.0]]))


def test_delays_held_as_states_are_refused() -> None:
    """A state that forgets all within a slot has no half slot: a message says so."""
    room = Room(
        a=np.array([[0.0, 0.0], [1.0, 0.99]]),
        b_heat=np.array([1e-4, 0.0]),
        disturbance_k=np.zeros((40, 2)),
        start_c=np.array([0.0, 10.0]),
        air_row=np.array([0.0, 1.0]),
        lower_c=np.full(41, -np.inf),
        shortfall_price_per_k_h=1.0,
        heat_max_w=FULL_W,
    )
    path = least_cost([room], Heater(FULL_W, 0.3), slot_s=SLOT_S).rooms[0]
    with pytest.raises(ValueError, match="delays held as states"):
        timetable_of(
            room,
            path,
            slot_s=SLOT_S,
            min_on_s=PULSE_S,
            min_off_s=PULSE_S,
            heating=False,
            since_s=1e6,
            starts=(),
        )

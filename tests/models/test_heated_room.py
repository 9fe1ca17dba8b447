"""A room's path, its output under the supply limit, and what is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.heated_room import Limit, SupplyLimit, recurrence
from tests.models.rooms import AIR, FULL_W, SLAB, room_of

FREE = np.full(97, -np.inf)


def test_the_path_is_the_closed_form(set_a: Any) -> None:
    """Set A under 8 kW at 6 and 24 h, from the eigenvalues (scipy, python-control agree)."""
    states = room_of(set_a, FREE).states(FULL_W)
    assert states[24] == pytest.approx([15.059310, 8.799013], abs=1e-6)
    assert states[96] == pytest.approx([29.895798, 19.900025], abs=1e-6)


@given(st.integers(1, 40), st.integers(1, 4), st.integers(0, 1000))
def test_doubling_is_the_recurrence(count: int, size: int, seed: int) -> None:
    """Any length, any number of states, samples stacked: the same as one step after another."""
    rng = np.random.default_rng(seed)
    a = rng.uniform(-0.4, 0.4, (3, size, size))
    start, added = rng.normal(size=(3, size)), rng.normal(size=(3, count, size))
    path = recurrence(a, start, added)
    for sample in range(3):
        state = start[sample]
        for k in range(count):
            state = a[sample] @ state + added[sample, k]
            assert path[sample, k + 1] == pytest.approx(state, abs=1e-9)


def test_heat_at_the_supply_limit_leaves_the_supply_at_its_limit(set_b: Any) -> None:
    """The line holds the slot's own heat: output is 300 (45 - mean slab) on the path it makes."""
    room = room_of(set_b, FREE, supply=SupplyLimit(SLAB, 300.0, 45.0), heat_max_w=1e6)
    base, slope = room.output_line()
    states = room.start_c
    for k in range(room.count):
        heat = base[k] - slope @ states
        after = room.a @ states + room.disturbance_k[k] + room.b_heat * heat
        assert heat == pytest.approx(300.0 * (45.0 - 0.5 * (states + after) @ SLAB))
        states = after


def test_available_heat_is_never_negative(set_b: Any) -> None:
    """A slab above the supply limit: 0 W, and the rating where nothing limits it."""
    hot = room_of(set_b, FREE, start_c=np.array([50.0, 6.0]), supply=SupplyLimit(SLAB, 300.0, 45.0))
    assert hot.available_w(hot.states(0.0))[0] == 0.0
    free = room_of(set_b, FREE)
    assert (free.available_w(free.states(0.0)) == FULL_W).all()


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"a": np.eye(3)}, "a must hold"),
        ({"b_heat": np.array([1e-5, -1e-5])}, "must not be negative"),
        ({"start_c": np.array([np.nan, 6.0])}, "start_c"),
        ({"disturbance_k": np.zeros(96)}, "slots, states"),
        ({"disturbance_k": np.zeros((95, 2))}, "lower_c must hold 96"),
        ({"lower_c": np.full(97, np.inf)}, "infinite"),
        ({"limits": (Limit(AIR, np.nan, 1.0),)}, "no limit NaN"),
        ({"limits": (Limit(np.ones(3), 20.0, 1.0),)}, "limit 0"),
        ({"supply": SupplyLimit(np.ones(3), 300.0, 45.0)}, "supply limit"),
    ],
)
def test_what_makes_no_sense_is_refused(changed: dict[str, Any], said: str, set_a: Any) -> None:
    """Wrong shapes, missing numbers, heat that cools: a message that names the field."""
    with pytest.raises(ValueError, match=said):
        room_of(set_a, **({"lower_c": FREE} | changed))


def test_what_computing_leaves_below_zero_is_no_fault(set_a: Any) -> None:
    """An entry of -1e-18 among entries near 1 is a rounded zero."""
    a = np.array([[0.98, -1e-18], [0.1, 0.85]])
    assert room_of(set_a, FREE, a=a).count == 96

"""What full heat reaches, against closed forms and the programme."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from models.heated_room import Limit, SupplyLimit
from models.programme import Heater, least_cost
from models.reach import earliest_reach, fullest_states
from tests.models.rooms import FULL_W, SLAB, SLOT_S, only_at, room_of

FREE = np.full(161, -np.inf)


def test_full_heat_reaches_the_target_when_the_closed_form_says(set_a: Any) -> None:
    """Set A under 8 kW: 18 °C after 20.201362 h, 19.900025 °C at 24 h (from the eigenvalues).

    Straight lines within quarter hours cost a few seconds.
    """
    (found,) = earliest_reach(room_of(set_a, FREE), [(96, 18.0)], slot_s=SLOT_S)
    assert found.at_start_c == pytest.approx(19.900025, abs=1e-6)
    assert found.reached_s == pytest.approx(20.201362 * 3600.0, abs=5.0)


def test_each_session_has_its_own_answer(set_a: Any) -> None:
    """Too soon: what the start will see, and when the target would be reached; never: infinity."""
    soon, late, never = earliest_reach(
        room_of(set_a, FREE), [(24, 18.0), (96, 18.0), (96, 40.0)], slot_s=SLOT_S
    )
    assert soon.at_start_c == pytest.approx(8.799013, abs=1e-6)  # set A at 6 h
    assert soon.reached_s == late.reached_s > 24 * SLOT_S
    assert never.reached_s == math.inf


def test_warm_already_is_reached_now(set_a: Any) -> None:
    """A room at 19 °C has its 18 °C at once."""
    room = room_of(set_a, FREE, start_c=np.array([20.0, 19.0]))
    assert earliest_reach(room, [(20, 18.0)], slot_s=SLOT_S)[0].reached_s == 0.0


def test_limits_hold_full_heat_back(set_b: Any) -> None:
    """Slab limit 24 °C and supply limit: neither is exceeded, and the room is reached later."""
    limited = room_of(
        set_b,
        FREE,
        limits=(Limit(SLAB, 24.0, 1.0),),
        supply=SupplyLimit(SLAB, 300.0, 45.0),
    )
    states = fullest_states(limited)
    assert (states @ SLAB).max() == pytest.approx(24.0)
    (free,) = earliest_reach(room_of(set_b, FREE), [(150, 12.0)], slot_s=SLOT_S)
    (held,) = earliest_reach(limited, [(150, 12.0)], slot_s=SLOT_S)
    assert free.reached_s < held.reached_s < math.inf


@pytest.mark.parametrize("name", ["set_a", "set_b"])
def test_no_programme_reaches_more(name: str, request: pytest.FixtureRequest) -> None:
    """A wish far out of reach: the programme's air at that border is that of full heat.

    Tolerance: at this price the programme leaves out what warms by less than 0.03 mK a slot.
    """
    plant = request.getfixturevalue(name)
    changed: dict[str, Any] = {
        "limits": (Limit(SLAB, 26.0, 1e7),),
        "shortfall_price_per_k_h": 1e5,
        "supply": SupplyLimit(SLAB, 300.0, 45.0),
    }
    wish = room_of(plant, only_at(160, 150, 60.0), **changed)
    programme = least_cost([wish], Heater(FULL_W, 0.3), slot_s=SLOT_S)
    (found,) = earliest_reach(wish, [(150, 60.0)], slot_s=SLOT_S)
    assert programme.rooms[0].air_c[150] == pytest.approx(found.at_start_c, abs=1e-3)

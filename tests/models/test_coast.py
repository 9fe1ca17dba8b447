"""Coasting against closed forms: overshoot of two nodes, cooling of one."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from models.coast import Coast, coast, coast_quantiles

AIR = np.array([0.0, 1.0])


def two_node_air(
    plant: Any, start_c: list[float], *, slots: int = 200, slot_s: float = 900.0
) -> np.ndarray:
    """Room air of sets A and B without heat, -5 °C outdoors, 9 °C in the ground."""
    ad, bd = plant.matrices(slot_s)
    states = [np.array(start_c)]
    for _ in range(slots):
        states.append(ad @ states[-1] + bd @ np.array([0.0, -5.0, 9.0]))
    return np.array(states) @ AIR


def cooling(start_c: float, *, outdoor_c: float, tau_h: float, slots: int = 200) -> np.ndarray:
    """One capacity that cools."""
    return outdoor_c + (start_c - outdoor_c) * np.exp(-np.arange(slots + 1) * 0.25 / tau_h)


@pytest.mark.parametrize(
    ("name", "slab_c", "peak_c", "peak_s"),
    [("set_a", 27.357463, 18.144963, 2222.0), ("set_b", 30.138395, 18.999090, 191.7 * 60.0)],
)
def test_the_peak_is_that_of_the_closed_form(
    name: str, slab_c: float, peak_c: float, peak_s: float, request: pytest.FixtureRequest
) -> None:
    """Heater off with the room at 18 °C: how far and when it overshoots, from the eigenvalues.

    Slots of 15 minutes and a parabola: 5 mK; in time a minute, where the top is flat.
    """
    air = two_node_air(request.getfixturevalue(name), [slab_c, 18.0])
    found = coast(air, floor_c=10.0, slot_s=900.0)
    assert found.peak_c == pytest.approx(peak_c, abs=5e-3)
    assert found.peak_s == pytest.approx(peak_s, abs=60.0)


def test_shorter_slots_find_the_peak_more_closely(set_a: Any) -> None:
    """Five-minute slots: a tenth of a millikelvin and ten seconds."""
    air = two_node_air(set_a, [27.357463, 18.0], slot_s=300.0)
    found = coast(air, floor_c=10.0, slot_s=300.0)
    assert found.peak_c == pytest.approx(18.144963, abs=1e-4)
    assert found.peak_s == pytest.approx(2222.0, abs=10.0)


@pytest.mark.parametrize(
    ("start_c", "floor_c", "outdoor_c", "tau_h", "fall_h"),
    [(18.0, 17.0, 2.0, 40.0, 2.581541), (18.0, 5.0, -10.0, 55.555556, 34.675240)],
)
def test_the_fall_is_that_of_the_closed_form(
    start_c: float, floor_c: float, outdoor_c: float, tau_h: float, fall_h: float
) -> None:
    """One capacity: time constant x ln of the ratio; straight lines within slots cost seconds."""
    air = cooling(start_c, outdoor_c=outdoor_c, tau_h=tau_h)
    found = coast(air, floor_c=floor_c, slot_s=900.0)
    assert found.below_s == pytest.approx(fall_h * 3600.0, abs=5.0)
    assert (found.peak_c, found.peak_s) == (start_c, 0.0)


def test_a_room_that_stays_warm_never_falls() -> None:
    """Outdoors above the floor: infinity, not the end of the slots."""
    air = cooling(18.0, outdoor_c=8.0, tau_h=40.0)
    assert coast(air, floor_c=7.0, slot_s=900.0).below_s == math.inf


def test_a_room_below_the_floor_for_good_is_below_now() -> None:
    """Nothing on its way: below from now on, the peak is the present."""
    found = coast(cooling(9.0, outdoor_c=0.0, tau_h=40.0), floor_c=12.0, slot_s=900.0)
    assert found == Coast(9.0, 0.0, 0.0)


def test_a_cold_room_over_a_hot_slab_falls_after_its_peak(set_b: Any) -> None:
    """At 14 °C and rising past 16 °C by itself: the fall counts from when it has been there."""
    air = two_node_air(set_b, [30.0, 14.0])
    found = coast(air, floor_c=16.0, slot_s=900.0)
    assert found.peak_c > 16.0
    assert found.below_s > found.peak_s > 0.0


def test_sun_of_a_later_day_is_not_the_peak() -> None:
    """Down to 8 °C overnight and up to 20 °C next noon: the peak is that before the fall."""
    air = np.concatenate((np.linspace(17.0, 8.0, 50), np.linspace(8.0, 20.0, 50)))
    found = coast(air, floor_c=15.0, slot_s=900.0)
    assert found.peak_c == 17.0
    assert found.below_s < 50 * 900.0


def stacked(plant: Any, outdoor_c: np.ndarray) -> dict[str, Any]:
    """Samples of the weather for one room."""
    ad, bd = plant.matrices(900.0)
    added = outdoor_c[:, None] * bd[:, 1] + 9.0 * bd[:, 2]
    return {
        "a": ad,
        "disturbance_k": np.repeat(added[:, None, :], 300, axis=1),
        "start_c": np.array([30.138395, 18.0]),
        "air_row": AIR,
        "slot_s": 900.0,
    }


def test_quantiles_are_those_of_the_samples_one_by_one(set_b: Any) -> None:
    """Weather the only difference: the warmest sample falls last, the middle one in between."""
    outdoor = np.array([4.0, -5.0, -12.0, 0.0, -8.0])
    low, middle, high = coast_quantiles(
        **stacked(set_b, outdoor), floor_c=12.0, levels=(0.1, 0.5, 0.9)
    )
    alone = coast(two_node_air(set_b, [30.138395, 18.0], slots=300), floor_c=12.0, slot_s=900.0)
    assert middle.peak_c == pytest.approx(alone.peak_c, abs=1e-9)
    assert middle.below_s == pytest.approx(alone.below_s, abs=1e-3)
    assert low.below_s < middle.below_s < high.below_s
    assert low.peak_c < middle.peak_c < high.peak_c


def test_never_is_a_quantile_like_any_other(set_b: Any) -> None:
    """Two samples of five never fall: the 90 % quantile is infinity, the median a time."""
    outdoor = np.array([15.0, 16.0, -5.0, -6.0, -7.0])
    middle, high = coast_quantiles(**stacked(set_b, outdoor), floor_c=12.0, levels=(0.5, 0.9))
    assert math.isfinite(middle.below_s)
    assert high.below_s == math.inf


def test_samples_may_differ_in_the_room_itself(set_a: Any, set_b: Any) -> None:
    """Stacked matrices and states: each sample coasts by its own."""
    parts = [stacked(plant, np.array([-5.0])) for plant in (set_a, set_b)]
    found = coast_quantiles(
        np.stack([part["a"] for part in parts]),
        np.concatenate([part["disturbance_k"] for part in parts]),
        np.array([[27.357463, 18.0], [30.138395, 18.0]]),
        AIR,
        floor_c=10.0,
        slot_s=900.0,
        levels=(0.0, 1.0),
    )
    assert [each.peak_c for each in found] == pytest.approx([18.144963, 18.999090], abs=5e-3)


def test_a_missing_forecast_is_refused(set_a: Any) -> None:
    """NaN in one sample's weather: a message, not a quantile of NaN."""
    with pytest.raises(ValueError, match="finite in every sample"):
        coast_quantiles(**stacked(set_a, np.array([1.0, np.nan])), floor_c=5.0, levels=(0.5,))


def test_samples_are_wanted_as_a_stack(set_a: Any) -> None:
    """One sample without its own axis: a message that gives the shape."""
    case = stacked(set_a, np.array([1.0]))
    with pytest.raises(ValueError, match="samples, slots, states"):
        coast_quantiles(
            **(case | {"disturbance_k": case["disturbance_k"][0]}), floor_c=5.0, levels=(0.5,)
        )

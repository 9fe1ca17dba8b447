"""What several network tests share: a prior that is off, and weeks of the six-mass workshop."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from models.day_one import Prior, first_order_prior
from models.network_prior import NetworkPrior, network_prior
from models.series import Series
from tests.models import plants

PER_DAY = plants.PER_DAY


def description(off: float = 1.0) -> NetworkPrior:
    """What an owner might say of the six-mass workshop, capacities off by a factor."""
    return network_prior(
        area_m2=48.0, slab_capacity_j_k=17e6 * off, room_capacity_j_k=2.4e6 * off,
        slab_room_w_k=330.0, room_outdoor_w_k=160.0, slab_ground_w_k=16.0,
        floor_resistance_m2k_w=2.5, glazing_gain_m2=2.5,
    )  # fmt: skip


def first_order_description() -> Prior:
    """The same for a first-order response."""
    return first_order_prior(
        loss_w_k=176.0, slab_capacity_j_k=17e6, room_capacity_j_k=2.4e6, slab_to_room_w_k=330.0,
        glazing_gain_m2=2.5,
    )  # fmt: skip


@cache
def workshop_weeks() -> Series:
    """Eight weeks as cheap sensors see them, two of them (days 29 to 42) away."""
    rng = np.random.default_rng(3)
    sky = plants.weather(56, rng)
    states, heat = plants.live(sky, plants.weekly(56, rng, away=range(29, 43)), rng)
    return plants.sensed(sky, states, heat, rng)


def days(series: Series, first: float, end: float) -> Series:
    """The part of a series from one day to another."""
    begin, stop = round(first * PER_DAY), round(end * PER_DAY)
    columns = ("air_c", "slab_c", "outdoor_c", "power_w", "sun_w_m2")
    part = {name: getattr(series, name)[begin:stop] for name in columns}
    return replace(series, start_s=series.start_s + begin * series.step_s, **part)


def rms(errors: np.ndarray) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(errors**2)))

"""What is expected before there is any history."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from models.belief import draw
from models.day_one import first_order_prior
from models.first_order import FirstOrder, advance_c, lead_time_s

WORKSHOP = {
    "loss_w_k": 190.0,
    "slab_capacity_j_k": 18e6,
    "room_capacity_j_k": 2e6,
    "slab_to_room_w_k": 400.0,
    "glazing_gain_m2": 2.0,
}


def test_gain_is_the_inverse_of_the_loss() -> None:
    """In the steady state every watt goes out by the loss."""
    prior = first_order_prior(**WORKSHOP)
    assert prior.mean.gain_k_per_w == pytest.approx(1 / 190.0)
    assert prior.mean.sun_gain_k_m2_per_w == pytest.approx(2.0 / 190.0)


def test_time_constants_are_those_of_the_two_masses() -> None:
    """By the half rule, dead time plus time constant are the sum of both masses' own."""
    prior = first_order_prior(**WORKSHOP)
    system = np.array([[-400 / 18e6, 400 / 18e6], [400 / 2e6, -(400 + 190) / 2e6]])
    fast_s, slow_s = sorted(-1.0 / np.linalg.eigvals(system))
    assert prior.mean.dead_time_s == pytest.approx(fast_s / 2)
    assert prior.mean.time_constant_s == pytest.approx(slow_s + fast_s / 2)


def test_set_a_is_warm_when_expected(set_a: Any) -> None:
    """R2 set A takes 20.20 h to 18 C; the prior's 80 % interval of lead times holds that."""
    prior = first_order_prior(**(WORKSHOP | {"glazing_gain_m2": 0.0}))
    start_c, outdoor_c = 6.0, -5.0
    leads = [
        lead_time_s(model, start_c=start_c, target_c=18.0, outdoor_c=outdoor_c, power_w=8000.0)
        for model in draw(prior.belief(), 500, seed=1)
    ]
    low_s, high_s = np.quantile(leads, [0.1, 0.9], method="nearest")
    assert low_s < 20.201362 * 3600.0 < high_s


def _off(rng: np.random.Generator, count: int) -> float:
    """Product of fields that are each off by up to a quarter."""
    return float(np.prod(1.0 + rng.uniform(-0.25, 0.25, count)))


def test_interval_is_honest_when_every_field_is_off_by_a_quarter() -> None:
    """Air after a day of heat lies in the 80 % interval for about that share of descriptions.

    Truth: capacity of four wrong fields, loss of three, heater of one. The interval may be wider
    than needed, for it also allows for what one time constant cannot say, but not boundless.
    """
    rng = np.random.default_rng(7)
    prior = first_order_prior(**WORKSHOP)
    drawn = draw(prior.belief(), 400, seed=2)

    def after_day_c(model: FirstOrder) -> float:
        return advance_c(model, 6.0, outdoor_c=0.0, power_w=8000.0, seconds=86400.0)

    low_c, high_c = np.quantile([after_day_c(model) for model in drawn], [0.1, 0.9])
    inside = 0
    for _ in range(400):
        loss_w_k, capacity_j_k = 190.0 * _off(rng, 3), 20e6 * _off(rng, 4)
        truth = FirstOrder(capacity_j_k / loss_w_k, _off(rng, 1) / loss_w_k, 0.0)
        inside += bool(low_c <= after_day_c(truth) <= high_c)
    assert 0.75 <= inside / 400 <= 0.97


def test_worst_corner_is_within_three_standard_deviations() -> None:
    """Every field wrong by a quarter to the same side is rare, yet not ruled out."""
    prior = first_order_prior(**WORKSHOP)
    time_constant, gain, _ = prior.log_sd
    assert np.log(1.25**4) < 3 * time_constant
    assert np.log(1.25**3 * 1.25) < 3 * gain


@pytest.mark.parametrize("field", [name for name in WORKSHOP if name != "glazing_gain_m2"])
def test_a_building_without_loss_or_mass_is_refused(field: str) -> None:
    """Nothing can be expected of a description with a zero in it."""
    with pytest.raises(ValueError, match="above 0"):
        first_order_prior(**(WORKSHOP | {field: 0.0}))

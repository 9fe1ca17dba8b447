"""The fit of slab and room: round trip, honest errors, and a richer workshop than the network."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.backtest import errors_by_horizon, persistence_errors
from models.day_one import first_order_prior
from models.network_errors import network_errors_by_horizon
from models.network_fit import NetworkFit, fit_network, sample_networks
from models.network_prior import coordinates, draw_networks, network_prior
from models.response_fit import fit
from models.series import Series
from models.thermal_network import Network, simulate, steady_state_c, time_constants_s
from tests.models.conftest import DAY_S, STEP_S, TwoNodes, spoiled, weather
from tests.models.rich_room import DESCRIBED, part, workshop

HORIZONS_H = (6, 12, 24)
PRIOR = network_prior(**DESCRIBED)
FIRST_ORDER_PRIOR = first_order_prior(
    loss_w_k=170.0,
    slab_capacity_j_k=18e6,
    room_capacity_j_k=3.5e6,
    slab_to_room_w_k=350.0,
    glazing_gain_m2=2.5,
)


def rms(errors: dict[int, np.ndarray]) -> np.ndarray:
    """Root mean square at each horizon, 24 h last."""
    return np.array([float(np.sqrt(np.mean(errors[hours] ** 2))) for hours in HORIZONS_H])


@pytest.fixture(scope="module")
def ten_weeks() -> Series:
    """A workshop's sessions as cheap sensors see them."""
    return workshop(days=70, seed=1)


@pytest.mark.parametrize("plant", [TwoNodes(), TwoNodes(slab_room_w_k=150.0, room_out_w_k=60.0)])
def test_r4_round_trip(plant: TwoNodes) -> None:
    """R4 on R2's sets: clean data give time constants and steady gains within 1 %.

    The prior is a third off in all. Tolerance as in R4 (chosen there, no source).
    """
    ad, bd = plant.matrices(STEP_S)
    count = round(40 * DAY_S / STEP_S)
    power = 8000.0 * (np.arange(count) // 100 % 3 == 0)
    outdoor = weather(40, np.random.default_rng(1))[0]
    states = np.zeros((count, 2))
    states[0] = 8.0, 6.0
    means = 0.5 * (outdoor[:-1] + outdoor[1:])  # a fit takes what acts over a step as that
    for k in range(count - 1):
        states[k + 1] = ad @ states[k] + bd @ np.array([power[k], means[k], 9.0])
    unknown = np.full(count, np.nan)
    truth = Network(18e6, 2e6, plant.slab_room_w_k, plant.room_out_w_k, 40.0, ground_c=9.0)
    off = network_prior(
        slab_capacity_j_k=18e6 * 1.33,
        room_capacity_j_k=2e6 * 0.67,
        slab_room_w_k=plant.slab_room_w_k * 1.33,
        room_loss_w_k=plant.room_out_w_k * 0.67,
        ground_loss_w_k=40.0 * 1.33,
        glazing_gain_m2=1.0,
    )
    found = fit_network(
        Series(0.0, STEP_S, states[:, 1], states[:, 0], outdoor, power, unknown), off
    )
    assert found.ok, found.why
    assert time_constants_s(found.network) == pytest.approx(time_constants_s(truth), rel=0.01)
    gains = [
        steady_state_c(each, heat_w=1e4, outdoor_c=0.0)
        - steady_state_c(each, heat_w=0.0, outdoor_c=0.0)
        for each in (found.network, truth)
    ]
    assert gains[0] == pytest.approx(gains[1], rel=0.01)


def closed_loop(truth: Network, rng: np.random.Generator, days: int) -> Series:
    """Some days of a network under a thermostat with sessions, as cheap sensors see it."""
    outdoor, sun = weather(days, rng)
    state, power_w = np.array([10.0, 9.0]), 0.0
    states, heat = np.zeros((len(outdoor), 2)), np.zeros(len(outdoor))
    for i in range(len(outdoor)):
        day, hour = divmod(i * STEP_S / 3600.0, 24.0)
        goal = (17.0 if int(day) % 7 in (1, 3, 5) and 8.0 <= hour < 22.0 else 7.0) - 0.2
        power_w = 8000.0 if state[1] < goal + (0.4 if power_w > 0 else 0.0) else 0.0
        states[i], heat[i] = state, power_w
        inputs = {"heat_w": heat[i : i + 1], "outdoor_c": outdoor[i], "sun_w_m2": sun[i]}
        state = simulate(truth, state, **inputs, step_s=STEP_S)[1]  # type: ignore[arg-type]
    series = Series(0.0, STEP_S, states[:, 1], states[:, 0], outdoor, heat, sun)
    slab = np.round((series.slab_c + rng.normal(0.0, 0.1, len(outdoor))) * 16) / 16
    return replace(spoiled(series, rng), slab_c=slab)


def test_errors_are_no_larger_than_said() -> None:
    """Truths drawn from the prior, seen by cheap sensors: their distance matches the covariance.

    Of normal errors 68 % lie within one standard error, 95 % within two. The fit counts overlapping
    errors once, so it may only be on the careful side; 12 truths of 8 parameters leave some 5 %.
    """
    off = []
    for seed, truth in enumerate(draw_networks(PRIOR, 12, seed=3)):
        found = fit_network(closed_loop(truth, np.random.default_rng(seed), 10), PRIOR)
        assert found.ok
        sd = found.belief.standard_deviations()
        off.append((coordinates(found.network) - coordinates(truth)) / sd)
    off_sd = np.abs(np.array(off))
    assert np.mean(off_sd < 1.0) > 0.62
    assert np.mean(off_sd < 2.0) > 0.90


def beside_first_order(train: Series, later: Series) -> np.ndarray:
    """Errors [K] on later history of network, first-order response and no change, (3, horizons)."""
    found, simple = fit_network(train, PRIOR), fit(train, FIRST_ORDER_PRIOR)
    assert found.ok, found.why
    back_s = simple.model.dead_time_s
    ours = network_errors_by_horizon(later, found.network, HORIZONS_H, reach_back_s=back_s)
    stays = persistence_errors(later, HORIZONS_H, reach_back_s=back_s)
    return np.array(
        [rms(ours), rms(errors_by_horizon(later, simple.model, HORIZONS_H)), rms(stays)]
    )


def test_better_hours_ahead_than_first_order() -> None:
    """Two weeks of a workshop of six masses teach more than a first-order response can hold.

    Means of three winters, errors in the three weeks after. Limits chosen here: a sixth less than
    first order, a fifth of no change, and half a kelvin a day ahead with some room.
    """
    winters = [workshop(days=35, seed=seed) for seed in (1, 2, 3)]
    each = [beside_first_order(part(winter, 0, 14), part(winter, 14, 35)) for winter in winters]
    ours, theirs, stays = np.mean(each, axis=0)
    assert (ours < 5.0 / 6.0 * theirs).all()
    assert (ours < 0.2 * stays).all()
    assert (ours < 0.65).all()


def test_deep_reheat_after_shallow_ones() -> None:
    """From 5 to 20 °C in frost, after weeks of 10 to 14 °C only: better than first order.

    Limits chosen here; ground and walls take up heat that no shallow reheat shows.
    """
    shallow = [workshop(days=21, seed=seed, warm_c=14.0, idle_c=10.0) for seed in (1, 2, 3)]
    deep = workshop(days=21, seed=101, warm_c=20.0, idle_c=5.0, mean_c=-6.0)
    ours, theirs, stays = np.mean([beside_first_order(each, deep) for each in shallow], axis=0)
    assert (ours < 5.0 / 6.0 * theirs).all()
    assert (ours < 0.25 * stays).all()


def test_prior_alone_is_sane(ten_weeks: Series) -> None:
    """With no history a careful description gives the air a day ahead to about a kelvin.

    Where all fields are off by a quarter, each either way, it still says more than that the air
    stays as it is.
    """
    stays = rms(persistence_errors(ten_weeks, HORIZONS_H))
    errors = network_errors_by_horizon(ten_weeks, PRIOR.network, HORIZONS_H)
    assert (rms(errors) < 1.0).all()
    rng = np.random.default_rng(5)
    for _ in range(10):
        off = {name: value * rng.choice([0.75, 1.25]) for name, value in DESCRIBED.items()}
        far = network_prior(**off).network
        assert (rms(network_errors_by_horizon(ten_weeks, far, HORIZONS_H)) < stays).all()


def test_history_mends_a_wrong_description(ten_weeks: Series) -> None:
    """Two weeks bring a description with fields a quarter off to where a good one comes."""
    train, later = part(ten_weeks, 0, 14), part(ten_weeks, 14, 35)
    rng = np.random.default_rng(6)
    good = rms(network_errors_by_horizon(later, fit_network(train, PRIOR).network, HORIZONS_H))
    for _ in range(4):
        off = {name: value * rng.choice([0.75, 1.25]) for name, value in DESCRIBED.items()}
        mended = fit_network(train, network_prior(**off)).network
        assert (rms(network_errors_by_horizon(later, mended, HORIZONS_H)) < good + 0.1).all()


def without(series: Series, column: str) -> Series:
    """The same with one column never measured."""
    return replace(series, **{column: np.full(len(series.air_c), np.nan)})


def test_without_sun_its_area_is_none(ten_weeks: Series) -> None:
    """Where no irradiance is measured there is no sun in the network, nor in its draws."""
    found = fit_network(without(part(ten_weeks, 0, 10), "sun_w_m2"), PRIOR)
    assert found.ok
    assert found.network.sun_gain_m2 == 0.0
    areas = [each.sun_gain_m2 for each in sample_networks(found, 5, seed=1)]
    assert areas == pytest.approx([0.0] * 5, abs=1e-12)  # rounding


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda series: without(series, "slab_c"), "never measured"),
        (lambda series: without(series, "air_c"), "0 h of usable history, 24 h needed"),
        (lambda series: without(series, "power_w"), "0 h of usable history, 24 h needed"),
        (lambda series: part(series, 0, 1), "24 h needed"),
        (lambda series: part(series, 0, 0), "24 h needed|never measured"),
    ],
    ids=["slab", "air", "heat", "a day", "nothing"],
)
def test_without_history_the_prior_stays(
    ten_weeks: Series, spoil: Callable[[Series], Series], why: str
) -> None:
    """Where history does not suffice the fit says why and keeps the prior."""
    found: NetworkFit = fit_network(spoil(part(ten_weeks, 0, 7)), PRIOR)
    assert not found.ok
    assert found.network == PRIOR.network
    assert found.covariance == PRIOR.covariance
    assert re.search(why, found.why)


def test_horizons_are_measured_as_first_orders_are(ten_weeks: Series) -> None:
    """Beginning where the slab is known, the starts are those of the first-order backtest."""
    whole = replace(ten_weeks, slab_c=np.where(np.isnan(ten_weeks.slab_c), 12.0, ten_weeks.slab_c))
    model: Any = FIRST_ORDER_PRIOR.mean
    ours = network_errors_by_horizon(
        whole, PRIOR.network, HORIZONS_H, reach_back_s=model.dead_time_s
    )
    theirs = errors_by_horizon(whole, model, HORIZONS_H)
    assert [len(ours[h]) for h in HORIZONS_H] == [len(theirs[h]) for h in HORIZONS_H]


def test_draws_are_positive_repeatable_and_spread_as_said() -> None:
    """Two thousand draws have the prior's covariance; 10 % is what so many leave open."""
    drawn = sample_networks(PRIOR, 2000, seed=7)
    assert drawn[:3] == sample_networks(PRIOR, 3, seed=7)
    spread = np.std([coordinates(each) for each in drawn], axis=0)
    free = [0, 1, 2, 3, 4, 6, 7]  # the sun's area is cut off at 0
    assert spread[free] == pytest.approx(PRIOR.standard_deviations()[free], rel=0.1)

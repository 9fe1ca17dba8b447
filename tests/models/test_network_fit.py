"""Networks learnt: recovery, a richer workshop, deep reheat, holes, honest errors."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.backtest import errors_by_horizon as first_order_errors
from models.backtest import persistence_errors
from models.draught import draught_k
from models.network_backtest import errors_by_horizon
from models.network_fit import NetworkFit, fit_network, sample_networks
from models.network_prior import coordinates, draw_networks, network_prior
from models.observer import noise_of
from models.response_fit import fit
from models.series import Series
from models.thermal_network import Kind, Network, simulate, steady_state, time_constants_s
from tests.models import plants
from tests.models.network_cases import (
    days,
    description,
    first_order_description,
    rms,
    workshop_weeks,
)

HORIZONS_H = (1, 6, 12, 24, 36)


def weeks_of(network: Network, count_days: int, seed: int, *, noise_k: float = 0.0) -> Series:
    """A network's own data under made-up weather and on/off heat."""
    rng = np.random.default_rng(seed)
    sky = plants.weather(count_days, rng)
    heat = 8000.0 * np.repeat(rng.random(count_days * 6) < 0.25, 48)
    x0 = np.array([12.0, 9.0, 8.0])[: network.masses]
    outdoor = 0.5 * (sky.outdoor + np.append(sky.outdoor[1:], sky.outdoor[-1]))
    sun = 0.5 * (sky.sun + np.append(sky.sun[1:], sky.sun[-1]))
    path = simulate(network, x0, heat_w=heat, outdoor_c=outdoor, sun_w_m2=sun, step_s=300.0)
    read = path[:-1, :2] + noise_k * rng.standard_normal((len(heat), 2))
    return Series(0.0, 300.0, read[:, 1], read[:, 0], sky.outdoor, heat, sky.sun)


@pytest.mark.parametrize("name", ["set_a", "set_b"])
def test_r4_round_trip_on_r2(name: str, request: Any) -> None:
    """R4: clean data of R2's sets give time constants and steady gain within 1 %.

    The prior's capacities and conductances are 20 to 35 % off.
    """
    plant = request.getfixturevalue(name)
    truth = Network(
        Kind.TWO_NODE, plant.slab_j_k, plant.room_j_k, plant.slab_room_w_k, plant.room_out_w_k,
        plant.slab_ground_w_k, sun_slab_m2=0.0, sun_room_m2=0.0, heat_gain=1.0, ground_c=9.0,
    )  # fmt: skip
    prior = network_prior(
        area_m2=48.0, slab_capacity_j_k=1.3 * plant.slab_j_k,
        room_capacity_j_k=0.7 * plant.room_j_k,
        slab_room_w_k=0.75 * plant.slab_room_w_k, room_outdoor_w_k=1.25 * plant.room_out_w_k,
        slab_ground_w_k=32.0, floor_resistance_m2k_w=1.0, glazing_gain_m2=1.0,
    )  # fmt: skip
    found = fit_network(weeks_of(truth, 40, seed=1), prior).network
    assert time_constants_s(found) == pytest.approx(time_constants_s(truth), rel=0.01)
    gains = [
        (steady_state(n, heat_w=1e4, outdoor_c=0.0) - steady_state(n, heat_w=0.0, outdoor_c=0.0))[1]
        for n in (found, truth)
    ]
    assert gains[0] == pytest.approx(gains[1], rel=0.01)


@pytest.mark.parametrize(("history_d", "at_24_h_k"), [(3, 0.9), (7, 0.6), (14, 0.6), (28, 0.6)])
def test_a_richer_workshop_is_predicted_for_days(history_d: int, at_24_h_k: float) -> None:
    """Four weeks that no fit has seen, two of them away and one deep reheat after them.

    Seen through noise, 1/16 K, spikes, gaps and doors, heated by a thermostat. Both networks
    beat the first-order response at every horizon, and halve persistence's error from 6 h on;
    the limits at 24 h leave a third above what was found (0.66, 0.43, 0.44, 0.43 K).
    """
    weeks = workshop_weeks()
    seen, later = days(weeks, 28 - history_d, 28), days(weeks, 28, 56)
    first = first_order_errors(later, fit(seen, first_order_description()).model, HORIZONS_H)
    same = persistence_errors(later, HORIZONS_H)
    for kind in (Kind.TWO_NODE, Kind.LINING):
        found = fit_network(seen, description(), kind)
        errors = errors_by_horizon(later, found.network, HORIZONS_H, noise=found.noise)
        assert rms(errors[24]) < at_24_h_k
        for hours in HORIZONS_H:
            assert rms(errors[hours]) < rms(first[hours])
            assert hours < 6 or rms(errors[hours]) < 0.5 * rms(same[hours])


def test_a_deep_reheat_after_shallow_ones_only() -> None:
    """Kept above 12 C (doors aside) for nine days of learning, left to 5 C, reheated to 18 C.

    With capacities in the description 25 % off, the days of the reheat are predicted 12 and 24 h
    ahead within 0.7 K (0.48 and 0.41 K were found), and a good third as far off as by the
    description alone.
    """
    rng = np.random.default_rng(8)
    sky = plants.weather(24, rng)
    shallow = [plants.Booking(day, 8.0, 10.0, early_h=8.0) for day in range(1, 11)]
    deep = [plants.Booking(22, 10.0, 10.0, early_h=30.0)]
    states, heat = plants.live(sky, [*shallow, *deep], rng)
    series = plants.sensed(sky, states, heat, rng)
    learnt_from, reheat = days(series, 1.5, 11), days(series, 18, 23)
    air = states[:, plants.AIR]
    assert np.mean(air[round(1.5 * plants.PER_DAY) : 11 * plants.PER_DAY] > 12.0) > 0.98
    assert air[18 * plants.PER_DAY : 22 * plants.PER_DAY].min() < 6.0
    prior = description(off=1.25)
    found = fit_network(learnt_from, prior)
    learnt = errors_by_horizon(reheat, found.network, [12, 24], noise=found.noise)
    at_first = errors_by_horizon(reheat, prior.mean, [12, 24])
    for ahead in (12, 24):
        assert rms(learnt[ahead]) < 0.7
        assert rms(learnt[ahead]) < 0.4 * rms(at_first[ahead])


@pytest.mark.parametrize("missing", ["slab", "sun", "both"])
def test_air_outdoor_air_and_heat_suffice(missing: str) -> None:
    """Without slab or sun a day ahead is predicted better than by a first-order response."""
    weeks = workshop_weeks()
    unknown = np.full(len(weeks.air_c), np.nan)
    if missing in ("slab", "both"):
        weeks = replace(weeks, slab_c=unknown)
    if missing in ("sun", "both"):
        weeks = replace(weeks, sun_w_m2=unknown)
    seen, later = days(weeks, 0, 28), days(weeks, 28, 56)
    found = fit_network(seen, description())
    first = fit(seen, first_order_description())
    errors = errors_by_horizon(later, found.network, [6, 24], noise=found.noise)
    plain = first_order_errors(later, first.model, [6, 24])
    assert rms(errors[6]) < 0.8 * rms(plain[6])
    assert rms(errors[24]) < rms(plain[24])


def test_errors_are_about_as_large_as_said() -> None:
    """Networks drawn from the prior, 12 days each: most parameters lie within two deviations.

    Of normal errors 95 % would; 10 truths of 13 parameters may miss that by some. Below 0.6 of
    the prior's spread on average, so it has learnt something too.
    """
    prior = description()
    off, narrowed = [], []
    for seed, truth in enumerate(draw_networks(prior.two_node, 10, seed=6)):
        found = fit_network(weeks_of(truth, 12, seed, noise_k=0.06), prior)
        sd = np.array(list(found.belief.standard_deviations().values()))
        off.append(np.abs(coordinates(found.network) - coordinates(truth)) / sd)
        narrowed.append(sd / np.array(list(prior.two_node.standard_deviations().values())))
    assert np.mean(np.array(off) < 2.0) >= 0.86
    assert np.mean(narrowed) < 0.6


def test_a_room_never_heated_teaches_nothing_of_the_heater() -> None:
    """Without heat, the heater's gain stays as uncertain as the prior has it."""
    weeks = days(workshop_weeks(), 0, 14)
    cold = replace(weeks, power_w=np.zeros_like(weeks.power_w), air_c=weeks.outdoor_c + 1.5)
    found = fit_network(replace(cold, slab_c=np.full_like(cold.air_c, np.nan)), description())
    before = description().two_node.standard_deviations()["heat_gain"]
    assert found.belief.standard_deviations()["heat_gain"] > 0.95 * before


def test_draws_are_positive_stable_and_repeatable() -> None:
    """Samples of a fit are networks (refused otherwise), the same for the same seed."""
    found = fit_network(days(workshop_weeks(), 0, 7), description(), Kind.LINING)
    drawn = sample_networks(found, 50, seed=1)
    assert drawn == sample_networks(found, 50, seed=1)
    assert len({network.slab_capacity_j_k for network in drawn}) == 50


@pytest.mark.parametrize("spoil", ["half_a_day", "no_air", "no_outdoor", "empty"])
def test_too_little_history_is_the_prior_and_a_reason(spoil: str) -> None:
    """Without a day of usable starts there is the prior and why, not an exception."""
    weeks = workshop_weeks()
    unknown = np.full(len(weeks.air_c), np.nan)
    series = {
        "half_a_day": days(weeks, 0, 0.5),
        "no_air": replace(weeks, air_c=unknown),
        "no_outdoor": replace(weeks, outdoor_c=unknown),
        "empty": days(weeks, 0, 0),
    }[spoil]
    found: NetworkFit = fit_network(series, description())
    assert not found.ok
    assert found.network == description().mean
    assert found.noise == noise_of(description().mean)
    assert "24 needed" in found.why


def test_a_stuck_stretch_and_weeks_of_holes_do_not_spoil_a_fit() -> None:
    """Air stuck for a day and ten days of air missing cost at most a third at 24 h."""
    weeks = workshop_weeks()
    seen, later = days(weeks, 0, 28), days(weeks, 28, 56)
    air = seen.air_c.copy()
    air[3 * 288 : 4 * 288] = air[3 * 288 - 20]
    air[8 * 288 : 18 * 288] = np.nan
    whole = fit_network(seen, description())
    spoilt = fit_network(replace(seen, air_c=air), description())
    errors = [
        rms(errors_by_horizon(later, f.network, [24], noise=f.noise)[24]) for f in (whole, spoilt)
    ]
    assert spoilt.ok
    assert errors[1] < 1.33 * errors[0]


def test_people_and_draught_are_recovered() -> None:
    """A network's own data under bookings and gusts give both back within a tenth."""
    truth = replace(description().mean, people_w=600.0, draught_w_k=25.0)
    plain = weeks_of(truth, 14, seed=2)
    count, rng = len(plain.air_c), np.random.default_rng(9)
    people = np.repeat(rng.random(count // 72) < 0.2, 72).astype(np.float64)
    gusts = np.repeat(10.0 * rng.standard_normal(count // 144), 144)
    outdoor = 0.5 * (plain.outdoor_c + np.append(plain.outdoor_c[1:], plain.outdoor_c[-1]))
    sun = 0.5 * (plain.sun_w_m2 + np.append(plain.sun_w_m2[1:], plain.sun_w_m2[-1]))
    path = simulate(
        truth, np.array([12.0, 9.0]), heat_w=plain.power_w, outdoor_c=outdoor, sun_w_m2=sun,
        step_s=300.0, occupied=people, draught_k=gusts,
    )[:-1]  # fmt: skip
    lived = replace(plain, air_c=path[:, 1], slab_c=path[:, 0], occupied=people, draught_k=gusts)
    found = fit_network(lived, description()).network
    assert found.people_w == pytest.approx(600.0, rel=0.1)
    assert found.draught_w_k == pytest.approx(25.0, rel=0.1)


def test_knowing_people_and_wind_foretells_the_six_mass_workshop_better() -> None:
    """Fitted to five weeks, judged on three more: clearly less error half a day and a day ahead."""
    rng = np.random.default_rng(3)
    sky = plants.weather(56, rng)
    bookings = plants.weekly(56, rng)
    states, heat = plants.live(sky, bookings, rng)
    blind = plants.sensed(sky, states, heat, rng)
    _, people = plants.wanted_c(bookings, len(heat))
    seen = replace(
        blind,
        occupied=people.astype(np.float64),
        draught_k=draught_k(sky.wind, outdoor_c=blind.outdoor_c, air_c=blind.air_c),
    )
    errors = [
        errors_by_horizon(series.part(35 * 288, 56 * 288), fit.network, (12, 24), noise=fit.noise)
        for series in (seen, blind)
        for fit in [fit_network(series.part(0, 35 * 288), description(), Kind.LINING)]
    ]
    for hours in (12, 24):
        assert rms(errors[0][hours]) < 0.95 * rms(errors[1][hours])

"""Drawn paths: their spread is what was put in, and what comes lies within it as often as said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.network_fit import fit_network, sample_networks
from models.network_outlook import Outlook, air_quantiles, drawn_air, red_noise
from models.observer import Noise, Observed, observe, observe_all
from models.series import Series, running_median
from models.thermal_network import Kind, simulate
from tests.models.network_cases import PER_DAY, days, description, workshop_weeks

CALM = Noise((1e-9, 1e-9), (1e-9, 1e-9, 1e-9))
NETWORK = description().mean


def test_without_any_doubt_every_path_is_the_simulated_one() -> None:
    """No spread of parameters, state, weather or noise: one path, that of simulate."""
    heat = np.where(np.arange(96) < 30, 8000.0, 0.0)
    start = Observed(np.array([14.0, 11.0, 50.0, -20.0]), np.zeros((4, 4)))
    outlook = Outlook(900.0, heat, 1.0, 50.0)
    paths = drawn_air([NETWORK] * 3, [start] * 3, CALM, outlook, seed=1)
    path = simulate(NETWORK, start.x, heat_w=heat, outdoor_c=1.0, sun_w_m2=50.0, step_s=900.0)
    assert paths == pytest.approx(np.tile(path[:, 1], (3, 1)), abs=1e-6)


def test_weather_that_is_off_all_day_moves_the_room() -> None:
    """2 K of red noise outdoors spreads the room more as the hours go, below 2 K always."""
    start = Observed(np.array([14.0, 11.0, 0.0, 0.0]), np.zeros((4, 4)))
    outlook = Outlook(900.0, np.zeros(192), 0.0, 0.0, outdoor_sd_k=2.0)
    spread = np.std(drawn_air([NETWORK] * 300, [start] * 300, CALM, outlook, seed=1), axis=0)
    assert spread[0] == 0.0
    assert 0.1 < spread[24] < spread[96] < spread[192] < 2.0


def test_red_noise_is_standard_and_remembers() -> None:
    """Unit spread at any step, correlation 0.9 from one to the next; 4000 rows, 0.05 is 3 sd."""
    rows = red_noise(np.random.default_rng(0), (4000, 30), 0.9)
    assert np.std(rows, axis=0) == pytest.approx(1.0, abs=0.05)
    assert np.corrcoef(rows[:, 20], rows[:, 21])[0, 1] == pytest.approx(0.9, abs=0.02)


@pytest.mark.parametrize("kind", [Kind.TWO_NODE, Kind.LINING])
def test_the_80_percent_interval_holds_about_80_percent(kind: Kind) -> None:
    """Two weeks in use, 12 and 24 h ahead, weather known: 65 to 93 % of 54 lie inside.

    Starts 11 h apart, so at any hour of the day, for people and doors come by day. The weeks
    away are left out: nobody strays from the network in them, and more lies inside than said.
    Three standard deviations of 80 % are 16 points, and starts with the same learnt parameters
    hang together, so the window is set by what must not happen: useless width, false certainty.
    """
    weeks = workshop_weeks()
    outdoor = np.where(np.isfinite(weeks.outdoor_c), weeks.outdoor_c, 0.0)
    gaps = np.isnan(weeks.outdoor_c)
    outdoor[gaps] = np.interp(np.flatnonzero(gaps), np.flatnonzero(~gaps), outdoor[~gaps])
    weeks = replace(weeks, outdoor_c=outdoor)
    found = fit_network(days(weeks, 14, 28), description(), kind)
    networks = sample_networks(found, 64, seed=1)
    air = running_median(weeks.air_c, 5)
    inside = []
    for day in 43.0 + np.arange(27) * 11.0 / 24.0:
        states = observe_all(networks, days(weeks, day - 3, day), found.noise)
        low, high = air_quantiles(
            drawn_air(networks, states, found.noise, coming(weeks, day), seed=round(24 * day)),
            [0.1, 0.9],
        )
        for hours in (12, 24):
            came = air[round(day * PER_DAY) + hours * 12]
            if np.isfinite(came):
                inside.append(low[hours * 4] <= came <= high[hours * 4])
    assert 0.65 <= np.mean(inside) <= 0.93


def coming(weeks: Series, day: float) -> Outlook:
    """Weather and heat of the day that follows, as they really came."""
    part = days(weeks, day, day + 1)
    columns = (part.power_w, part.outdoor_c, part.sun_w_m2)
    return Outlook(900.0, *(column.reshape(96, 3).mean(axis=1) for column in columns))


def test_the_state_of_today_narrows_the_next_hours() -> None:
    """An hour ahead the interval is narrower than a day ahead, and holds the observed state."""
    weeks = days(workshop_weeks(), 0, 10)
    found = observe(NETWORK, weeks)
    outlook = Outlook(900.0, np.zeros(96), 2.0, 0.0)
    noise = Noise((150.0, 100.0), (40.0, 100.0, 40.0))
    paths = drawn_air([NETWORK] * 200, [found] * 200, noise, outlook, seed=2)
    low, high = air_quantiles(paths, [0.1, 0.9])
    assert low[0] <= found.x[1] <= high[0]
    assert high[4] - low[4] < 0.7 * (high[96] - low[96])

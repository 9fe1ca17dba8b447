"""The model that the simulated workshop hands out: positive, of the same steady state, and true."""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from controller.records.site import Site
from controller.rehearsal.foresight_linear import climate, linearised
from controller.rehearsal.runner import Span
from controller.rehearsal.surroundings import Day, Surroundings
from controller.rehearsal.true_model import TrueModel, driven_k, true_model
from controller.rehearsal.weather import Weather
from controller.rehearsal.workshop import Workshop

from .conftest import DAY_S, START_S

STEP_S = 900.0
DAYS = 8
SPAN = Span(START_S, START_S + DAYS * DAY_S, 60.0)


class Shut(Surroundings):
    """The same weather with all doors shut."""

    def __init__(self, true: Surroundings) -> None:
        self._true = true

    def day(self, number: int) -> Day:
        day = self._true.day(number)
        return replace(day, zones=tuple(replace(zone, door=[0.0] * 1440) for zone in day.zones))

    def through_glass_w(self, zone, times_s, global_w_m2):
        return self._true.through_glass_w(zone, times_s, global_w_m2)


@pytest.fixture(scope="module")
def workshop(site: Site, winter: Weather) -> Workshop:
    made = Workshop(site, "boiler", winter, [], start_s=START_S, seed=2, spread=0.2)
    made.meet(Shut(made.surroundings))
    return made


@pytest.fixture(scope="module")
def model(workshop: Workshop) -> TrueModel:
    return true_model(workshop, span=SPAN, step_s=STEP_S)


@dataclass
class Course:
    """States at the steps' borders, and the means over the steps."""

    states: np.ndarray
    heat_w: np.ndarray
    driven_k: np.ndarray


@pytest.fixture(scope="module")
def course(site: Site, winter: Weather, workshop: Workshop, model: TrueModel) -> Course:
    """Eight days of long preheats and long coasts under the true weather."""
    steps, minutes = round(DAYS * DAY_S / STEP_S), round(STEP_S / 60.0)
    states = np.zeros((steps + 1, len(model.nodes) + 1))
    means = np.zeros((steps, 4))  # heat, outdoor, irradiance, wind
    for step in range(steps):
        states[step, :-1] = workshop.temperatures_c()[list(model.nodes)]
        on = step % 192 in range(60, 130)
        for _ in range(minutes):
            truth = workshop.truth()
            workshop.advance(60.0, on and truth["air"] < 20.0)
            weather = (truth["outdoor"], truth["irradiance"], truth["wind"])
            means[step] += np.array((workshop.element_w, *weather)) / minutes
    states[steps, :-1] = workshop.temperatures_c()[list(model.nodes)]
    driven = driven_k(
        model,
        workshop,
        START_S + STEP_S * (np.arange(steps) + 0.5),
        outdoor_c=means[:, 1],
        irradiance_w_m2=means[:, 2],
        wind_m_s=means[:, 3],
        air_c=states[:-1] @ model.step.c_air,
    )
    return Course(states, means[:, 0], driven)


def test_a_day_ahead_the_air_is_told_to_three_tenths(model: TrueModel, course: Course) -> None:
    """From the true temperatures, under the true weather: under 0.3 K rms after 24 h.

    0.3 K is what a forecast's own error leaves no use to go below (chosen here). It is 0.11 to
    0.14 K over the benchmark's seasons, and 0.21 K in these eight days from one end to the other.
    """
    ahead = round(DAY_S / STEP_S)
    errors = []
    for begin in range(0, len(course.heat_w) - ahead, 16):
        state = course.states[begin]
        for step in range(begin, begin + ahead):
            state = model.step.a @ state + model.step.b_heat * course.heat_w[step]
            state = state + course.driven_k[step]
        errors.append(float((state - course.states[begin + ahead]) @ model.step.c_air))
    assert np.sqrt(np.mean(np.square(errors))) < 0.3


def test_heat_and_warmth_cool_nothing(model: TrueModel) -> None:
    """No entry is below 0 and all modes are real and fade: what the planner asks of a room."""
    step = model.step
    for part in (step.a, step.b_heat, step.b_outdoor, step.b_sun, model.supply.row):
        assert part.min() >= 0.0
    modes = np.linalg.eigvals(step.a)
    assert np.abs(modes.imag).max() < 1e-9
    assert 0.0 < modes.real.min() <= modes.real.max() < 1.0


def test_the_steady_state_is_that_of_the_whole_network(
    workshop: Workshop, model: TrueModel
) -> None:
    """2 kW at 0 °C outdoors end at the same air and slab with few nodes as with all."""
    linear = linearised(workshop, climate(workshop, start_s=SPAN.start_s, end_s=SPAN.end_s))
    whole = linear.steady_c(heat_w=2000.0, outdoor_c=0.0)
    step = model.step
    left = np.eye(len(step.a)) - step.a
    small = np.linalg.solve(left, 2000.0 * step.b_heat + step.drift)
    (nodes,) = workshop.structure.zones
    assert small @ step.c_air == pytest.approx(whole[nodes.air], abs=1e-6)
    assert small @ step.c_slab == pytest.approx(whole[nodes.slab_core], abs=1e-6)
    assert small @ model.surface_row == pytest.approx(whole[nodes.surface], abs=1e-6)


def test_the_boiler_at_its_limit_gives_what_the_model_says(site: Site, winter: Weather) -> None:
    """Held back by its thermostat the boiler gives (limit - row x) UA, within 3 %.

    3 %: the model has fluid and boiler in balance, which they never quite are.
    """
    heater = replace(site.heaters[0], supply_limit_c=32.0)
    made = Workshop(
        replace(site, heaters=(heater,)), "boiler", winter, [],
        start_s=START_S, seed=2, spread=0.2,
    )  # fmt: skip
    model = true_model(made, span=SPAN, step_s=STEP_S)
    made.advance(12 * 3600.0, True)
    assert made.element_w < 0.8 * made.heater.rating_w  # it is held back
    state = np.append(made.temperatures_c()[list(model.nodes)], 0.0)
    against_c = float(model.supply.row @ state)
    told_w = (model.supply.supply_c - against_c) * model.supply.conductance_w_k
    assert told_w == pytest.approx(made.element_w, rel=0.03)


def test_several_zones_are_refused(two_zone_site: Site, winter: Weather) -> None:
    """A model of two rooms would be another one."""
    made = Workshop(two_zone_site, "boiler", winter, [], start_s=START_S, seed=1, spread=0.0)
    with pytest.raises(ValueError, match="one zone, not of 2"):
        true_model(made, span=SPAN, step_s=STEP_S)


def test_too_few_masses_are_refused(workshop: Workshop) -> None:
    """Air, surface, slab and tubes are the least."""
    with pytest.raises(ValueError, match="too few"):
        true_model(workshop, span=SPAN, step_s=STEP_S, masses=2)

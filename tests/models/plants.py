"""A workshop of six masses that networks of two or three are tried on; not made of the models.

Tube layer, upper slab, soil, air, lining, furnishings; the floor gives off heat by a power law,
draughts grow with the wind, people and doors come and go. Its weather is made up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.series import Series

STEP_S = 300.0
DAY_S = 86400.0
PER_DAY = round(DAY_S / STEP_S)
TUBES, UPPER, SOIL, AIR, LINING, THINGS = range(6)
CAPACITIES_J_K = np.array([7.0e6, 7.5e6, 30.0e6, 0.35e6, 1.6e6, 0.9e6])
COUPLINGS_W_K = (
    (TUBES, UPPER, 1500.0),
    (TUBES, SOIL, 22.0),
    (UPPER, LINING, 190.0),
    (AIR, LINING, 420.0),
    (AIR, THINGS, 150.0),
)
FLOOR_W_K11 = 150.0  # floor to air, for each kelvin to the power 1.1
LINING_OUTDOOR_W_K, DRAUGHT_W_K, SOIL_DEEP_W_K, DEEP_C = 75.0, 55.0, 30.0, 9.0
GLASS_M2 = 3.0
RATING_W = 8000.0


@dataclass(frozen=True)
class Weather:
    """Outdoor air [C], irradiance [W/m2], wind [m/s], each at every step."""

    outdoor: np.ndarray
    sun: np.ndarray
    wind: np.ndarray


@dataclass(frozen=True)
class Booking:
    """Heat from so many hours before a session to its end; days and hours from the start."""

    day: int
    hour: float
    length_h: float
    early_h: float
    target_c: float = 18.0


def weather(days: int, rng: np.random.Generator, mean_c: float = 2.0) -> Weather:
    """A day's wave on a slow wander, days of more and less cloud, gusts."""
    time_d = np.arange(days * PER_DAY) / PER_DAY
    knots = np.arange(days + 2)
    wander = np.zeros(days + 2)
    for k in range(1, days + 2):
        wander[k] = 0.75 * wander[k - 1] + rng.normal(0.0, 2.2)
    clear = np.interp(time_d, knots, rng.uniform(0.1, 1.0, days + 2))
    wind = np.interp(time_d, knots, rng.gamma(3.0, 1.2, days + 2))
    outdoor = mean_c + np.interp(time_d, knots, wander)
    outdoor += (1.5 + 3.0 * clear) * np.sin(2 * math.pi * (time_d - 0.375))
    sun = clear * np.maximum(0.0, 380.0 * np.sin(2 * math.pi * (time_d - 0.25)))
    return Weather(outdoor, sun, wind)


def weekly(days: int, rng: np.random.Generator, away: range = range(0)) -> list[Booking]:
    """Three sessions a week, heated for 4 to 30 hours before; none on the days away."""
    spans = {1: (17.0, 5.0), 3: (13.0, 8.0), 5: (9.0, 9.0)}
    return [
        Booking(day, *spans[day % 7], early_h=rng.uniform(4.0, 30.0))
        for day in range(days)
        if day % 7 in spans and day not in away
    ]


def wanted_c(bookings: Sequence[Booking], count: int) -> tuple[np.ndarray, np.ndarray]:
    """Set point [C] and whether people are in, at every step."""
    target, people = np.full(count, 6.0), np.zeros(count, dtype=bool)
    for booking in bookings:
        begin = booking.day * PER_DAY + round(booking.hour * 12)
        end = begin + round(booking.length_h * 12)
        target[max(0, begin - round(booking.early_h * 12)) : end] = booking.target_c
        people[begin:end] = True
    return target, people


def live(
    sky: Weather, bookings: Sequence[Booking], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """All six temperatures [C], shape (n, 6), and heat [W], shape (n,), under a thermostat."""
    count = len(sky.outdoor)
    target, people = wanted_c(bookings, count)
    doors = (rng.random(count) < np.where(people, 0.06, 0.003)) * rng.uniform(0.3, 1.0, count)
    people_w = people * np.repeat(rng.uniform(100.0, 700.0, count // PER_DAY + 1), PER_DAY)[:count]
    state, power = np.array([9.0, 9.0, 10.0, 7.0, 7.0, 7.0]), 0.0
    states, heat = np.zeros((count, 6)), np.zeros(count)
    for i in range(count):
        power = RATING_W if state[AIR] < target[i] + (0.2 if power else -0.2) else 0.0
        states[i], heat[i] = state, power
        draught = DRAUGHT_W_K * (0.6 + 0.1 * sky.wind[i]) + 900.0 * doors[i]
        gains = (people_w[i], GLASS_M2 * sky.sun[i], power)
        for _ in range(5):  # a minute each: the quickest mass takes some ten minutes
            state = state + 60.0 * flows_w(state, sky.outdoor[i], draught, gains) / CAPACITIES_J_K
    return states, heat


def flows_w(
    state: np.ndarray, outdoor: float, draught_w_k: float, gains: tuple[float, float, float]
) -> np.ndarray:
    """Heat into each mass [W]."""
    people, sun, power = gains
    flow = np.zeros(6)
    for a, b, w_k in COUPLINGS_W_K:
        passed = w_k * (state[a] - state[b])
        flow[a] -= passed
        flow[b] += passed
    rise = state[UPPER] - state[AIR]
    from_floor = FLOOR_W_K11 * math.copysign(abs(rise) ** 1.1, rise) * (1.0 if rise > 0 else 0.4)
    flow[UPPER] += 0.6 * sun - from_floor
    flow[AIR] += from_floor + draught_w_k * (outdoor - state[AIR]) + 0.6 * people + 0.15 * sun
    flow[LINING] += LINING_OUTDOOR_W_K * (outdoor - state[LINING]) + 0.4 * people + 0.25 * sun
    flow[SOIL] += SOIL_DEEP_W_K * (DEEP_C - state[SOIL])
    flow[TUBES] += power
    return flow


def sensed(sky: Weather, states: np.ndarray, heat: np.ndarray, rng: np.random.Generator) -> Series:
    """What cheap sensors make of it: 1/16 K, noise, spikes, gaps short and long."""
    count = len(heat)
    air, slab, outdoor = states[:, AIR].copy(), states[:, UPPER].copy(), sky.outdoor.copy()
    for column in (air, slab, outdoor):
        column += rng.normal(0.0, 0.06, count) + rng.normal(0.0, 0.1)
    spikes = rng.integers(0, count, count // 400)
    air[spikes] += rng.choice([-15.0, 15.0], len(spikes))
    air, slab, outdoor = (np.round(16 * column) / 16 for column in (air, slab, outdoor))
    air[rng.random(count) < 0.01] = np.nan
    for first in rng.integers(0, count - 60, max(1, count // 3000)):
        air[first : first + 40] = np.nan
    for first in rng.integers(0, count - 60, max(1, count // 4000)):
        outdoor[first : first + 30] = np.nan
    return Series(0.0, STEP_S, air, slab, outdoor, heat, sky.sun.copy())

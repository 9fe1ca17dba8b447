"""Two-node rooms R2 against reference libraries, Euler's steps, and coasting to a given peak.

"R2" and "R3": elementary linear differential equations, worked out with scipy 1.17. The tables of
the exact step stand in ``test_thermal_network``, those of one capacity in ``test_first_order``.
"""

from __future__ import annotations

from typing import Any

import control
import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm
from scipy.optimize import brentq
from scipy.signal import cont2discrete

from models.coast import Coast, coast, coast_quantiles
from models.thermal_network import Discrete, Kind, Network, discrete, simulate

HOUR_S = 3600.0
START = np.array([8.0, 6.0])
INPUTS = np.array([8000.0, -5.0, 9.0])  # heater [W], outdoors and ground [°C]
SETS = {"A": (400.0, 150.0), "B": (150.0, 60.0)}
NAMES = pytest.mark.parametrize("name", SETS)


def network(name: str) -> Network:
    """Set A or B."""
    slab_room_w_k, room_outdoor_w_k = SETS[name]
    return Network(
        Kind.TWO_NODE, 18e6, 2e6, slab_room_w_k, room_outdoor_w_k, 40.0,
        sun_slab_m2=0.0, sun_room_m2=0.0, heat_gain=1.0, ground_c=9.0,
    )  # fmt: skip


def rates(name: str) -> tuple[np.ndarray, np.ndarray]:
    """The same written out by hand: rates of the two nodes, and of heater, outdoors, ground."""
    sz, ze = SETS[name]
    a = np.array([[-(sz + 40.0) / 18e6, sz / 18e6], [sz / 2e6, -(sz + ze) / 2e6]])
    return a, np.array([[1 / 18e6, 0.0, 40.0 / 18e6], [0.0, ze / 2e6, 0.0]])


def columns(step: Discrete) -> np.ndarray:
    """What heater, outdoors and ground add in a step, shape (2, 3)."""
    return np.stack((step.b_heat, step.b_outdoor, step.drift / 9.0), axis=1)[:2]


def by_scipy(a: np.ndarray, b: np.ndarray, step_s: float) -> tuple[np.ndarray, np.ndarray]:
    found = cont2discrete((a, b, np.eye(2), np.zeros((2, 3))), step_s, "zoh")
    return found[0], found[1]


def by_control(a: np.ndarray, b: np.ndarray, step_s: float) -> tuple[np.ndarray, np.ndarray]:
    found = control.c2d(control.ss(a, b, np.eye(2), np.zeros((2, 3))), step_s, "zoh")
    return found.A, found.B


def by_block(a: np.ndarray, b: np.ndarray, step_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Van Loan's block exponential."""
    whole = expm(np.block([[a, b], [np.zeros((3, 5))]]) * step_s)
    return whole[:2, :2], whole[:2, 2:]


@NAMES
@pytest.mark.parametrize("library", [by_scipy, by_control, by_block])
@pytest.mark.parametrize("step_s", [10.0, 300.0, 900.0, 86400.0])
def test_the_step_is_that_of_the_libraries(name: str, library: Any, step_s: float) -> None:
    """Two nodes, from a tick to a day: the same matrices but for rounding.

    In a step of 10 s the outdoor air adds 1e-9 to the slab: rounding is that of the states, 1.
    """
    a, b = library(*rates(name), step_s)
    step = discrete(network(name), step_s)
    assert step.a[:2, :2] == pytest.approx(a, rel=1e-10, abs=1e-14)
    assert columns(step) == pytest.approx(b, rel=1e-8, abs=1e-14)


@NAMES
def test_a_day_is_that_of_an_integrator(name: str) -> None:
    """24 h of 8 kW by DOP853: 1e-6 K."""
    a, b = rates(name)
    theirs = solve_ivp(
        lambda _, x: a @ x + b @ INPUTS, (0.0, 24 * HOUR_S), START, "DOP853", rtol=1e-11, atol=1e-9
    ).y[:, -1]
    ours = heated(network(name), 24 * HOUR_S)
    assert ours == pytest.approx(theirs, abs=1e-6)


def heated(room: Network, seconds: float) -> np.ndarray:
    """Slab and room after heat from the start."""
    states = simulate(
        room, START, heat_w=[INPUTS[0]], outdoor_c=INPUTS[1], sun_w_m2=0.0, step_s=seconds
    )
    return states[-1, :2]


@pytest.mark.parametrize(
    ("step_s", "end", "off_k"),
    [
        (600.0, (29.931488, 19.926740), (0.036, 0.027)),
        (3600.0, (30.112478, 20.062217), (0.217, 0.162)),
    ],
)
def test_r3_euler_steps_are_off_and_the_models_are_not(
    step_s: float, end: tuple[float, float], off_k: tuple[float, float]
) -> None:
    """R3: forward Euler, stepped here, ends so far off; the model by the same steps does not."""
    a, b = rates("A")
    count = round(24 * HOUR_S / step_s)
    euler = START
    for _ in range(count):
        euler = euler + step_s * (a @ euler + b @ INPUTS)
    assert euler == pytest.approx(end, abs=1e-6)
    ours = simulate(
        network("A"), START, heat_w=np.full(count, 8000.0), outdoor_c=-5.0, sun_w_m2=0.0,
        step_s=step_s,
    )[-1, :2]  # fmt: skip
    assert ours == pytest.approx([29.895798, 19.900025], abs=1e-6)
    assert euler - ours == pytest.approx(off_k, abs=5e-4)  # the digits given


@NAMES
def test_r3_euler_steps_can_burst_where_the_models_cannot(name: str) -> None:
    """Beyond twice the short time constant Euler's steps grow; the model's end in the steady state.

    Six hours are more than that in both sets.
    """
    a, b = rates(name)
    step_s, euler = 6 * HOUR_S, START
    for _ in range(60):
        euler = euler + step_s * (a @ euler + b @ INPUTS)
    assert np.abs(euler).max() > 1e6
    ours = simulate(
        network(name), START, heat_w=np.full(300, 8000.0), outdoor_c=-5.0, sun_w_m2=0.0,
        step_s=step_s,
    )[-1, :2]  # fmt: skip
    assert ours == pytest.approx(np.linalg.solve(a, -b @ INPUTS), abs=1e-6)


SLOT_S = 60.0  # the parabola through three such slots is true to a few microkelvin


def coasting(room: Network, hours: float, *, floor_c: float = 12.0) -> Coast:
    """What is said of the room if the heater stops after so many hours."""
    path = simulate(
        room, heated(room, hours * HOUR_S), heat_w=np.zeros(48 * 60), outdoor_c=-5.0, sun_w_m2=0.0,
        step_s=SLOT_S,
    )  # fmt: skip
    return coast(path[:, 1], floor_c=floor_c, slot_s=SLOT_S)


@pytest.mark.parametrize(
    ("name", "to_18_h", "peak_c", "until_s"),
    [("A", 20.201362, 18.144963, 2222.0), ("B", 17.725126, 18.999090, 191.7 * 60.0)],
)
def test_r2_coast_says_the_overshoot(
    name: str, to_18_h: float, peak_c: float, until_s: float
) -> None:
    """R2: heat off at 18 °C, peak as given; its time to the digits given (1 s, 0.1 min)."""
    said = coasting(network(name), to_18_h)
    assert said.peak_c == pytest.approx(peak_c, abs=1e-5)
    assert said.peak_s == pytest.approx(until_s, abs=4.0)


@pytest.mark.parametrize(
    ("name", "cut_h", "earlier_min", "peak_at_h", "kwh"),
    [
        ("A", 19.922739, 16.72, 20.546742, 159.382),
        ("B", 16.414925, 78.61, 19.740946, 131.319),
    ],
)
def test_r2_coast_finds_the_early_cut_off(
    name: str, cut_h: float, earlier_min: float, peak_at_h: float, kwh: float
) -> None:
    """R2: the switch-off from which `coast` says 18.000 °C is the one given, within 5 s."""
    room = network(name)
    found_h = brentq(lambda hours: coasting(room, hours).peak_c - 18.0, 12.0, 21.0, xtol=1e-9)
    to_18_h = brentq(lambda hours: heated(room, hours * HOUR_S)[1] - 18.0, 12.0, 30.0, xtol=1e-9)
    assert found_h * HOUR_S == pytest.approx(cut_h * HOUR_S, abs=5.0)
    assert (to_18_h - found_h) * 60.0 == pytest.approx(earlier_min, abs=0.05)
    assert found_h + coasting(room, found_h).peak_s / HOUR_S == pytest.approx(peak_at_h, abs=2e-3)
    assert 8.0 * found_h == pytest.approx(kwh, abs=8.0 * 5.0 / HOUR_S)


@NAMES
def test_coast_quantiles_of_one_room_are_its_coast(name: str) -> None:
    """Five alike samples on quarter-hour slots: every quantile is the closed form's peak."""
    room, slot_s = network(name), 900.0
    state, step = heated(room, 16 * HOUR_S), discrete(room, slot_s)
    added = step.b_outdoor[:2] * -5.0 + step.drift[:2]
    said = coast_quantiles(
        step.a[:2, :2], np.broadcast_to(added, (5, 192, 2)), state, np.array([0.0, 1.0]),
        floor_c=12.0, slot_s=slot_s, levels=(0.1, 0.5, 0.9),
    )  # fmt: skip
    exact = coasting(room, 16.0)
    for each in said:
        assert each.peak_c == pytest.approx(exact.peak_c, abs=3e-3)  # as its notes say
        assert each.below_s == pytest.approx(exact.below_s, abs=60.0)


def test_set_a_dips_under_heat_before_it_rises() -> None:
    """R2's note: 6.000 to 5.394 °C in the first hour of heat, so a fall is no reason to stop."""
    room = network("A")
    path = simulate(
        room, START, heat_w=np.full(24, 8000.0), outdoor_c=-5.0, sun_w_m2=0.0, step_s=900.0
    )[:, 1]
    assert path[4] == pytest.approx(5.394221, abs=1e-6)
    assert path.argmin() not in (0, len(path) - 1)
    assert path[-1] == pytest.approx(8.799013, abs=1e-6)

"""Slab and room: outside values, other people's discretisation, and what heat can never do."""

from __future__ import annotations

import math

import control
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize_scalar
from scipy.signal import cont2discrete

from models.thermal_network import (
    Network,
    decays,
    discrete,
    simulate,
    steady_state_c,
    time_constants_s,
)

HOUR_S = 3600.0
POWER_W, OUTDOOR_C, START_C = 8000.0, -5.0, np.array([8.0, 6.0])
SET_A = Network(18e6, 2e6, 400.0, 150.0, 40.0, ground_c=9.0)
SET_B = Network(18e6, 2e6, 150.0, 60.0, 40.0, ground_c=9.0)
SETS = pytest.mark.parametrize("network", [SET_A, SET_B], ids=["A", "B"])


def after(
    network: Network, seconds: float, *, heat_w: float = POWER_W, start_c: np.ndarray = START_C
) -> np.ndarray:
    """Slab and room after one step with constant inputs."""
    heat = np.array([heat_w])
    return simulate(network, start_c, heat_w=heat, outdoor_c=OUTDOOR_C, step_s=seconds)[1]


def air_is_18_s(network: Network) -> float:
    """Time of heating until the air is at 18 °C [s]."""
    return float(brentq(lambda t: after(network, t)[1] - 18.0, HOUR_S, 48 * HOUR_S, xtol=1e-3))


def peak_after(network: Network, heated_s: float) -> tuple[float, float]:
    """Highest air and the time until it, if the heater stops after ``heated_s``."""
    stopped = after(network, heated_s)
    found = minimize_scalar(
        lambda t: -after(network, t, heat_w=0.0, start_c=stopped)[1],
        bounds=(1.0, 8 * HOUR_S),
        method="bounded",
        options={"xatol": 0.01},
    )
    return -float(found.fun), float(found.x)


# Values of R2 and R3: computed from the equations with scipy (zero-order hold, expm).
RATES_PER_S = {"A": (-7.810397312e-6, -2.916340471e-4), "B": (-4.346155384e-6, -1.112094002e-4)}
CONSTANTS_H = {"A": (35.565128, 0.952487), "B": (63.913448, 2.497790)}
STEADY_C = {"A": (52.414634, 36.756098), "B": (98.310345, 68.793103)}
STEP_600_S = {
    "A": [
        [0.986190752, 0.0122025126, 3.309855e-5, 2.827931e-4, 1.323942e-3],
        [0.109822613, 0.848607423, 1.885287e-6, 0.04149455, 7.541149e-5],
    ],
    "B": [
        [0.99379639, 0.00483046403, 3.322923e-5, 4.397714e-5, 1.329169e-3],
        [0.0434741763, 0.939051131, 7.329524e-7, 0.01744537, 2.93181e-5],
    ],
}
PATH_A_C = {1: (9.352737, 5.394221), 6: (15.059310, 8.799013), 24: (29.895798, 19.900025)}


def named(network: Network) -> str:
    """A or B."""
    return "A" if network == SET_A else "B"


@SETS
def test_r2_rates_and_steady_state(network: Network) -> None:
    """R2: eigenvalues, time constants and steady state, to the last digit given."""
    name = named(network)
    assert -1.0 / time_constants_s(network) == pytest.approx(RATES_PER_S[name], rel=1e-9)
    assert time_constants_s(network) / HOUR_S == pytest.approx(CONSTANTS_H[name], abs=1e-6)
    steady = steady_state_c(network, heat_w=POWER_W, outdoor_c=OUTDOOR_C)
    assert steady == pytest.approx(STEADY_C[name], abs=1e-6)


@SETS
def test_r2_step(network: Network) -> None:
    """R2: the discrete step of 600 s, to the last digit given; drift is what 9 °C ground does."""
    step = discrete(network, 600.0)
    found = np.column_stack((step.a, step.b_heat, step.b_outdoor, step.drift / 9.0))
    assert found == pytest.approx(np.array(STEP_600_S[named(network)]), rel=1e-6)


def test_r2_path() -> None:
    """R2 set A: the state at 1, 6 and 24 h within 1e-6 K; the air dips before it rises."""
    path = simulate(SET_A, START_C, heat_w=np.full(24, POWER_W), outdoor_c=-5.0, step_s=HOUR_S)
    for hours, expected in PATH_A_C.items():
        assert path[hours] == pytest.approx(expected, abs=1e-6)
    assert path[1, 1] < path[0, 1] < path[6, 1]


@pytest.mark.parametrize(
    ("network", "hours", "slab_c", "peak_c", "until_s"),
    [(SET_A, 20.201362, 27.357463, 18.144963, 2222.0), (SET_B, 17.725126, 30.138395, 18.999090,
                                                         191.7 * 60.0)],
    ids=["A", "B"],
)  # fmt: skip
def test_r2_overshoot(
    network: Network, hours: float, slab_c: float, peak_c: float, until_s: float
) -> None:
    """R2: when the air is at 18 °C (1 s), and how far it goes on rising from there (1e-6 K)."""
    seconds = air_is_18_s(network)
    assert seconds == pytest.approx(hours * HOUR_S, abs=1.0)
    assert after(network, seconds)[0] == pytest.approx(slab_c, abs=1e-5)
    found_c, found_s = peak_after(network, seconds)
    assert found_c == pytest.approx(peak_c, abs=1e-6)
    assert found_s == pytest.approx(until_s, abs=4.0)  # given to a tenth of a minute in set B


@pytest.mark.parametrize(
    ("network", "hours", "air_c", "peak_h", "kwh", "late_kwh"),
    [
        (SET_A, 19.922739, 17.852485, 20.546742, 159.382, 161.611),
        (SET_B, 16.414925, 16.950364, 19.740946, 131.319, 141.801),
    ],
    ids=["A", "B"],
)
def test_r2_early_stop(
    network: Network, hours: float, air_c: float, peak_h: float, kwh: float, late_kwh: float
) -> None:
    """R2: the stop from which the air coasts to just 18 °C (5 s), and the energy it saves."""
    seconds = float(
        brentq(lambda t: peak_after(network, t)[0] - 18.0, 12 * HOUR_S, 22 * HOUR_S, xtol=0.1)
    )
    assert seconds == pytest.approx(hours * HOUR_S, abs=5.0)
    assert after(network, seconds)[1] == pytest.approx(air_c, abs=1e-3)  # 5 s move it by 7e-4 K
    assert seconds + peak_after(network, seconds)[1] == pytest.approx(peak_h * HOUR_S, abs=5.0)
    assert POWER_W * seconds / 3.6e6 == pytest.approx(kwh, abs=0.012)  # 5 s of 8 kW
    assert POWER_W * air_is_18_s(network) / 3.6e6 == pytest.approx(late_kwh, abs=0.003)


def test_r1_is_the_limit_of_a_room_tied_to_its_slab() -> None:
    """R1: 24.293484 °C after 24 h of 6 kW, where slab and room are all but one mass.

    100 MW/K between them leave 0.06 mK; the ground has a conductance of next to nothing.
    """
    tied = Network(10e6, 10e6, 1e8, 100.0, 1e-9)
    path = simulate(tied, [5.0, 5.0], heat_w=np.full(24, 6000.0), outdoor_c=0.0, step_s=HOUR_S)
    assert path[24, 1] == pytest.approx(24.293484, abs=2e-4)
    assert path[1, 1] == pytest.approx(5.981143, abs=2e-4)
    assert time_constants_s(tied)[0] / HOUR_S == pytest.approx(55.555556, rel=1e-5)


@pytest.mark.parametrize(
    ("step_s", "expected"),
    [(600.0, (29.931488, 19.926740)), (3600.0, (30.112478, 20.062217))],
)
def test_r3_steps_are_not_eulers(step_s: float, expected: tuple[float, float]) -> None:
    """R3: forward Euler is 0.036 to 0.217 K off after a day; the steps here give 1e-6 K at both."""
    count = round(24 * HOUR_S / step_s)
    path = simulate(SET_A, START_C, heat_w=np.full(count, POWER_W), outdoor_c=-5.0, step_s=step_s)
    assert path[-1] == pytest.approx(PATH_A_C[24], abs=1e-6)
    assert np.min(np.abs(path[-1] - expected)) > 0.02


def continuous(network: Network) -> tuple[np.ndarray, np.ndarray]:
    """The heat balances written down a second time: rates, and inputs (P, Te, I, one)."""
    n = network
    k, h, g = n.slab_room_w_k, n.room_loss_w_k, n.ground_loss_w_k
    capacity = np.array([[n.slab_capacity_j_k], [n.room_capacity_j_k]])
    rates = np.array([[-k - g, k], [k, -k - h]]) / capacity
    inputs = np.array([[1.0, 0.0, 0.0, g * n.ground_c], [0.0, h, n.sun_gain_m2, n.gain_w]])
    return rates, inputs / capacity


logs = st.floats(-1.5, 1.5).map(math.exp)
networks = st.builds(
    lambda f, sun, ground, gain: Network(
        18e6 * f[0], 2e6 * f[1], 400 * f[2], 150 * f[3], 40 * f[4], sun, ground, gain
    ),
    st.tuples(logs, logs, logs, logs, logs),
    st.floats(0.0, 5.0),
    st.floats(0.0, 15.0),
    st.floats(-500.0, 500.0),
)


@given(networks, st.sampled_from([60.0, 300.0, 900.0, 3600.0]))
def test_steps_agree_with_scipy_and_python_control(network: Network, step_s: float) -> None:
    """The step is that of scipy.signal.cont2discrete and control.c2d; 1e-8 is for rounding."""
    step = discrete(network, step_s)
    rates, inputs = continuous(network)
    ours = np.column_stack((step.b_heat, step.b_outdoor, step.b_sun, step.drift))
    theirs = cont2discrete((rates, inputs, np.eye(2), np.zeros((2, 4))), step_s, method="zoh")
    np.testing.assert_allclose(step.a, theirs[0], rtol=1e-8)
    np.testing.assert_allclose(ours, theirs[1], rtol=1e-8, atol=1e-14)
    system = control.c2d(control.ss(rates, inputs, np.eye(2), np.zeros((2, 4))), step_s)
    np.testing.assert_allclose(step.a, system.A, rtol=1e-8)
    np.testing.assert_allclose(ours, system.B, rtol=1e-8, atol=1e-14)


@given(networks)
def test_heat_cools_nothing(network: Network) -> None:
    """For all positive parameters a step is stable and no entry is below 0, as planning needs."""
    step = discrete(network, 900.0)
    assert (step.a >= 0).all()
    assert (step.b_heat > 0).all()
    assert (step.b_outdoor > 0).all()
    kept = decays(network, 900.0).kept
    assert (kept > 0).all()
    assert (kept < 1).all()


def test_simulate_is_the_step_repeated() -> None:
    """A path with changing inputs is the discrete step taken again and again (rounding only)."""
    network = Network(18e6, 2e6, 400.0, 150.0, 40.0, 2.0, 9.0, 120.0)
    rng = np.random.default_rng(4)
    heat, outdoor, sun = rng.uniform([0, -9, 0], [8000, 12, 400], (50, 3)).T
    step, state = discrete(network, 900.0), START_C
    path = simulate(network, state, heat_w=heat, outdoor_c=outdoor, sun_w_m2=sun, step_s=900.0)
    for k in range(50):
        state = step.a @ state + step.b_heat * heat[k] + step.b_outdoor * outdoor[k]
        state = state + step.b_sun * sun[k] + step.drift
        assert path[k + 1] == pytest.approx(state, abs=1e-9)
    assert step.air_row @ state == state[1]
    assert step.slab_row @ state == state[0]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"slab_room_w_k": 0.0}, "above 0"),
        ({"room_capacity_j_k": -1.0}, "above 0"),
        ({"sun_gain_m2": -0.1}, "not be negative"),
        ({"ground_c": math.nan}, "finite"),
    ],
)
def test_impossible_networks_are_refused(change: dict[str, float], message: str) -> None:
    """A network that would not be positive and stable cannot be made."""
    given_ = {
        "slab_capacity_j_k": 18e6,
        "room_capacity_j_k": 2e6,
        "slab_room_w_k": 400.0,
        "room_loss_w_k": 150.0,
        "ground_loss_w_k": 40.0,
    }
    with pytest.raises(ValueError, match=message):
        Network(**(given_ | change))


def test_unknown_inputs_are_refused() -> None:
    """A path is not made out of missing numbers."""
    with pytest.raises(ValueError, match="finite"):
        simulate(SET_A, START_C, heat_w=np.array([1.0, math.nan]), outdoor_c=0.0, step_s=300.0)

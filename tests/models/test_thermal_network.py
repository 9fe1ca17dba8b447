"""The network's exact step, against published-style tables, reference libraries and its limits."""

from __future__ import annotations

from dataclasses import replace

import control
import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, minimize_scalar
from scipy.signal import cont2discrete

from models.network_prior import draw_networks, network_prior
from models.thermal_network import (
    Kind,
    Network,
    discrete,
    fading,
    modes,
    simulate,
    steady_state,
    time_constants_s,
)

HOUR_S = 3600.0
START = np.array([8.0, 6.0])
INPUTS = {"heat_w": 8000.0, "outdoor_c": -5.0}


def two_nodes(slab_room_w_k: float, room_outdoor_w_k: float) -> Network:
    """R2: Cs 18e6, Cz 2e6 J/K, Hsg 40 W/K, Tg 9 C."""
    return Network(
        Kind.TWO_NODE, 18e6, 2e6, slab_room_w_k, room_outdoor_w_k, 40.0,
        sun_slab_m2=0.0, sun_room_m2=0.0, heat_gain=1.0, ground_c=9.0,
    )  # fmt: skip


SET_A, SET_B = two_nodes(400.0, 150.0), two_nodes(150.0, 60.0)
LINED = replace(
    SET_A,
    kind=Kind.LINING,
    sun_slab_m2=2.0,
    sun_room_m2=1.0,
    room_gain_w=80.0,
    third_capacity_j_k=1.5e6,
    third_slab_w_k=90.0,
    third_room_w_k=300.0,
    third_outdoor_w_k=60.0,
)


def after(network: Network, hours: float, *, heat_w: float = 8000.0, start: np.ndarray = START):
    """The two temperatures after constant inputs, in one step."""
    states = simulate(
        network, start, heat_w=np.array([heat_w]), outdoor_c=-5.0, sun_w_m2=0.0,
        step_s=hours * HOUR_S,
    )  # fmt: skip
    return states[1, :2]


def reaches_18_h(network: Network) -> float:
    """Time at which the room gets to 18 C with the heater on [h]."""
    return float(brentq(lambda hours: after(network, hours)[1] - 18.0, 5.0, 40.0, xtol=1e-10))


def peak_after(network: Network, hours: float) -> tuple[float, float]:
    """Highest room air, and hours until it, once the heater stops after ``hours``."""
    there = after(network, hours)
    found = minimize_scalar(
        lambda more: -after(network, more, heat_w=0.0, start=there)[1],
        bounds=(1e-6, 12.0),
        method="bounded",
        options={"xatol": 1e-8},
    )
    return -float(found.fun), float(found.x)


@pytest.mark.parametrize(
    ("network", "eigenvalues", "hours", "steady"),
    [
        (SET_A, (-7.810397312e-6, -2.916340471e-4), (35.565128, 0.952487), (52.414634, 36.756098)),
        (SET_B, (-4.346155384e-6, -1.112094002e-4), (63.913448, 2.497790), (98.310345, 68.793103)),
    ],
)
def test_r2_time_constants_and_steady_state(network, eigenvalues, hours, steady) -> None:
    """R2: eigenvalues to ten digits, time constants [h] and the steady state to 1e-6."""
    constants = time_constants_s(network)
    assert -1.0 / constants == pytest.approx(eigenvalues, rel=1e-9)
    assert constants / HOUR_S == pytest.approx(hours, abs=1e-6)
    assert steady_state(network, **INPUTS) == pytest.approx(steady, abs=1e-6)


@pytest.mark.parametrize(
    ("network", "a", "heat", "outdoor", "ground"),
    [
        (
            SET_A,
            [[0.986190752, 0.0122025126], [0.109822613, 0.848607423]],
            (3.309855e-5, 1.885287e-6),
            (2.827931e-4, 0.04149455),
            (1.323942e-3, 7.541149e-5),
        ),
        (
            SET_B,
            [[0.99379639, 0.00483046403], [0.0434741763, 0.939051131]],
            (3.322923e-5, 7.329524e-7),
            (4.397714e-5, 0.01744537),
            (1.329169e-3, 2.93181e-5),
        ),
    ],
)
def test_r2_step_of_600_s(network, a, heat, outdoor, ground) -> None:
    """R2: the matrices of a 600 s step, to the digits given."""
    step = discrete(network, 600.0)
    assert step.a[:2, :2] == pytest.approx(np.array(a), rel=1e-8)
    assert step.b_heat[:2] == pytest.approx(heat, rel=1e-6)
    assert step.b_outdoor[:2] == pytest.approx(outdoor, rel=1e-6)
    assert step.drift[:2] / 9.0 == pytest.approx(ground, rel=1e-6)


def test_r2_states_of_set_a() -> None:
    """R2 set A at 1, 6 and 24 h, to 1e-6 K; the room dips before it rises."""
    assert after(SET_A, 1.0) == pytest.approx([9.352737, 5.394221], abs=1e-6)
    assert after(SET_A, 6.0) == pytest.approx([15.059310, 8.799013], abs=1e-6)
    assert after(SET_A, 24.0) == pytest.approx([29.895798, 19.900025], abs=1e-6)


@pytest.mark.parametrize(
    ("network", "hours", "slab_c", "peak_c", "until_s"),
    [
        (SET_A, 20.201362, 27.357463, 18.144963, 2222.0),
        (SET_B, 17.725126, 30.138395, 18.999090, 191.7 * 60.0),
    ],
)
def test_r2_time_to_target_and_coast_up(network, hours, slab_c, peak_c, until_s) -> None:
    """R2: the room is at 18 C within 1 s of the time given, and coasts up to the peak given.

    The time of a flat peak is given to 1 s (A) and to 0.1 min (B).
    """
    found = reaches_18_h(network)
    assert found * HOUR_S == pytest.approx(hours * HOUR_S, abs=1.0)
    assert after(network, found)[0] == pytest.approx(slab_c, abs=1e-5)
    peak, until_h = peak_after(network, found)
    assert peak == pytest.approx(peak_c, abs=1e-6)
    assert until_h * HOUR_S == pytest.approx(until_s, abs=4.0)


@pytest.mark.parametrize(
    ("network", "cut_h", "earlier_min", "air_c", "peak_at_h", "kwh"),
    [
        (SET_A, 19.922739, 16.72, 17.852485, 20.546742, 159.382),
        (SET_B, 16.414925, 78.61, 16.950364, 19.740946, 131.319),
    ],
)
def test_r2_early_cut_off(network, cut_h, earlier_min, air_c, peak_at_h, kwh) -> None:
    """R2: the cut-off from which the room coasts to 18.000 C, within 5 s, and its energy."""
    cut = brentq(lambda hours: peak_after(network, hours)[0] - 18.0, 10.0, 21.0, xtol=1e-10)
    assert cut * HOUR_S == pytest.approx(cut_h * HOUR_S, abs=5.0)
    assert (reaches_18_h(network) - cut) * 60.0 == pytest.approx(earlier_min, abs=0.01)
    assert after(network, cut)[1] == pytest.approx(air_c, abs=1e-5)
    assert cut + peak_after(network, cut)[1] == pytest.approx(peak_at_h, abs=1e-3)
    assert 8.0 * cut == pytest.approx(kwh, abs=1e-3)
    without = {SET_A: 161.611, SET_B: 141.801}[network]
    assert 8.0 * reaches_18_h(network) == pytest.approx(without, abs=1e-3)


@pytest.mark.parametrize(
    ("step_s", "euler", "off_k"),
    [
        (600.0, (29.931488, 19.926740), (0.036, 0.027)),
        (3600.0, (30.112478, 20.062217), (0.217, 0.162)),
    ],
)
def test_r3_a_step_is_no_euler_step(step_s, euler, off_k) -> None:
    """R3: set A after 24 h is the same for any step, and not where Euler's steps end."""
    count = round(24 * HOUR_S / step_s)
    states = simulate(
        SET_A, START, heat_w=np.full(count, 8000.0), outdoor_c=-5.0, sun_w_m2=0.0, step_s=step_s
    )
    assert states[-1, :2] == pytest.approx([29.895798, 19.900025], abs=1e-6)
    assert np.array(euler) - states[-1, :2] == pytest.approx(off_k, abs=1e-3)


def continuous(network: Network) -> tuple[np.ndarray, np.ndarray]:
    """Rates of the lined network and of its four inputs, written out by hand."""
    n = network
    cs, cr, ct = n.slab_capacity_j_k, n.room_capacity_j_k, n.third_capacity_j_k
    sr, st, rt = n.slab_room_w_k, n.third_slab_w_k, n.third_room_w_k
    sg, ro, to = n.slab_ground_w_k, n.room_outdoor_w_k, n.third_outdoor_w_k
    a = np.array(
        [
            [-(sr + st + sg) / cs, sr / cs, st / cs],
            [sr / cr, -(sr + rt + ro) / cr, rt / cr],
            [st / ct, rt / ct, -(st + rt + to) / ct],
        ]
    )
    b = np.array(
        [
            [n.heat_gain / cs, 0.0, n.sun_slab_m2 / cs, sg * n.ground_c / cs],
            [0.0, ro / cr, n.sun_room_m2 / cr, n.room_gain_w / cr],
            [0.0, to / ct, 0.0, 0.0],
        ]
    )
    return a, b


def test_three_masses_agree_with_scipy_and_python_control() -> None:
    """The step of three masses is that of two reference libraries, to rounding."""
    a, b = continuous(LINED)
    step = discrete(LINED, 900.0)
    ours = np.stack((step.b_heat, step.b_outdoor, step.b_sun, step.drift), axis=1)[:3]
    theirs = cont2discrete((a, b, np.eye(3), np.zeros((3, 4))), 900.0, "zoh")
    assert step.a[:3, :3] == pytest.approx(theirs[0], rel=1e-10)
    assert ours == pytest.approx(theirs[1], rel=1e-9, abs=1e-18)
    system = control.c2d(control.ss(a, b, np.eye(3), np.zeros((3, 4))), 900.0, "zoh")
    assert step.a[:3, :3] == pytest.approx(system.A, rel=1e-10)
    assert ours == pytest.approx(system.B, rel=1e-9, abs=1e-18)


def test_simulation_agrees_with_an_integrator_and_with_its_own_matrices() -> None:
    """Changing inputs: simulate, the stepped matrices and DOP853 give one path, to 1e-6 K."""
    rng = np.random.default_rng(4)
    heat, outdoor, sun = rng.uniform([[0], [-9], [0]], [[9e3], [9], [500]], (3, 20))
    x0 = np.array([15.0, 11.0, 10.0, 150.0, -60.0])
    path = simulate(LINED, x0, heat_w=heat, outdoor_c=outdoor, sun_w_m2=sun, step_s=1800.0)
    step, (a, b), x, y = discrete(LINED, 1800.0), continuous(LINED), x0, x0[:3]
    for k in range(20):
        unseen = np.array([0.0, x[3:].sum() / LINED.room_capacity_j_k, 0.0])
        given = b @ np.array([heat[k], outdoor[k], sun[k], 1.0]) + unseen
        y = solve_ivp(lambda _, t, g=given: a @ t + g, (0, 1800.0), y, "DOP853", rtol=1e-11).y[
            :, -1
        ]
        x = step.a @ x + step.b_heat * heat[k] + step.b_outdoor * outdoor[k]
        x = x + step.b_sun * sun[k] + step.drift
        assert path[k + 1] == pytest.approx(x, abs=1e-9)
        assert path[k + 1, :3] == pytest.approx(y, abs=1e-6)


def test_unseen_heat_fades_and_warms_the_room() -> None:
    """100 W unseen is 37 W after its own time, and lifts the room as 100 W of gain would."""
    quick = simulate(
        SET_A, np.array([8.0, 6.0, 100.0, 0.0]), heat_w=np.zeros(24), outdoor_c=0.0,
        sun_w_m2=0.0, step_s=1800.0,
    )  # fmt: skip
    assert quick[-1, 2] == pytest.approx(100.0 * np.exp(-1.0))
    step = discrete(SET_A, 60.0)
    assert step.a[:2, 2] * 100.0 == pytest.approx(
        discrete(replace(SET_A, room_gain_w=100.0), 60.0).drift[:2] - step.drift[:2]
    )
    assert fading(12 * HOUR_S)[0] == pytest.approx(np.exp(-1.0))


@pytest.mark.parametrize("kind", list(Kind))
def test_every_positive_network_is_stable(kind: Kind) -> None:
    """Whatever is drawn from a wide prior, every mode decays, and warms no mass below 0."""
    prior = network_prior(
        area_m2=48.0, slab_capacity_j_k=16e6, room_capacity_j_k=2.5e6, slab_room_w_k=330.0,
        room_outdoor_w_k=150.0, slab_ground_w_k=15.0, floor_resistance_m2k_w=2.5,
        glazing_gain_m2=2.0,
    )  # fmt: skip
    for network in draw_networks(prior.belief(kind), 100, seed=3):
        decay = modes(network, 900.0).decay
        assert ((decay > 0) & (decay < 1)).all()
        assert (discrete(network, 900.0).b_heat[: network.masses] > 0).all()


def test_nonsense_is_refused() -> None:
    """A negative, infinite or uncoupled network is refused with what it should be."""
    with pytest.raises(ValueError, match="must be above 0"):
        replace(SET_A, slab_room_w_k=-1.0)
    with pytest.raises(ValueError, match="finite"):
        replace(SET_A, ground_c=float("nan"))
    with pytest.raises(ValueError, match="below 0"):
        replace(SET_A, sun_room_m2=-0.1)
    with pytest.raises(ValueError, match="coupled"):
        replace(SET_A, kind=Kind.LINING, third_capacity_j_k=1e6)
    with pytest.raises(ValueError, match="finite start"):
        after(SET_A, 1.0, heat_w=float("inf"))

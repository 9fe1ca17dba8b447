"""The first-order response against hand-solved cases, scipy and python-control.

"R1" values: elementary linear differential equation, worked out with scipy 1.17; zero-order hold
as in any digital-control text (Franklin, Powell, Workman: from memory).
"""

from __future__ import annotations

import math
import subprocess
import sys

import control
import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.signal import cont2discrete

from models.first_order import (
    FirstOrder,
    advance_c,
    coast_peak,
    lead_time_s,
    run_out_s,
    steady_c,
)

HOUR_S = 3600.0
RESISTANCE, CAPACITY = 0.01, 20e6  # R1: K/W, J/K
R1 = FirstOrder(time_constant_s=RESISTANCE * CAPACITY, gain_k_per_w=RESISTANCE, dead_time_s=0.0)
DELAYED = FirstOrder(40 * HOUR_S, 0.006, 2 * HOUR_S, offset_k=1.0, sun_gain_k_m2_per_w=0.01)


def test_r1_time_constant_and_asymptote() -> None:
    """R1: tau = RC and the room ends at Te + RP."""
    assert R1.time_constant_s / HOUR_S == pytest.approx(55.555556, abs=1e-6)
    assert steady_c(R1, outdoor_c=0.0, power_w=6000.0) == pytest.approx(60.0, abs=1e-6)


@pytest.mark.parametrize(("hours", "air_c"), [(1, 5.981143), (6, 10.630482), (24, 24.293484)])
def test_r1_warm_up(hours: int, air_c: float) -> None:
    """R1: air after 1, 6 and 24 h of 6 kW from 5 C; tolerance is the table's last digit."""
    after_c = advance_c(R1, 5.0, outdoor_c=0.0, power_w=6000.0, seconds=hours * HOUR_S)
    assert after_c == pytest.approx(air_c, abs=1e-6)


def test_r1_time_to_target() -> None:
    """R1: 53 932.7 s from 5 to 18 C."""
    lead_s = lead_time_s(R1, start_c=5.0, target_c=18.0, outdoor_c=0.0, power_w=6000.0)
    assert lead_s == pytest.approx(53932.7, abs=0.05)
    assert lead_s / HOUR_S == pytest.approx(14.981309, abs=1e-6)


def test_r1_step_of_300_s() -> None:
    """R1: a and b of the zero-order hold at 300 s, read off by advancing unit inputs."""
    keep = advance_c(R1, 1.0, outdoor_c=0.0, power_w=0.0, seconds=300.0)
    from_outdoor = advance_c(R1, 0.0, outdoor_c=1.0, power_w=0.0, seconds=300.0)
    from_heat = advance_c(R1, 0.0, outdoor_c=0.0, power_w=1.0, seconds=300.0)
    assert keep == pytest.approx(0.9985011244, abs=1e-10)
    assert from_outdoor == pytest.approx(0.0014988756, abs=1e-10)
    assert from_heat == pytest.approx(1.49888e-5, abs=1e-10)


@pytest.mark.parametrize("step_s", [60.0, 300.0, 3600.0, 86400.0])
def test_step_agrees_with_scipy_and_control(step_s: float) -> None:
    """One step equals the zero-order hold of scipy and of python-control, to rounding."""
    a, b = [[-1.0 / R1.time_constant_s]], [[1.0 / R1.time_constant_s, 1.0 / CAPACITY]]
    c, d = [[1.0]], [[0.0, 0.0]]
    ad, bd, *_ = cont2discrete((np.array(a), np.array(b), np.array(c), np.array(d)), step_s)
    discrete = control.c2d(control.ss(a, b, c, d), step_s, method="zoh")
    ours_c = advance_c(R1, 5.0, outdoor_c=-3.0, power_w=4000.0, seconds=step_s)
    inputs = np.array([-3.0, 4000.0])
    assert ours_c == pytest.approx(float(ad[0, 0] * 5.0 + bd[0] @ inputs), rel=1e-12)
    assert ours_c == pytest.approx(
        float(discrete.A[0, 0] * 5.0 + discrete.B[0] @ inputs), rel=1e-12
    )


def test_coasting_from_18_to_17() -> None:
    """Optimum-stop check: 18 to 17 C at 2 C outdoors and 40 h takes 40 ln(16/15) h."""
    room = FirstOrder(40 * HOUR_S, 0.01, 0.0)
    assert run_out_s(room, air_c=18.0, floor_c=17.0, outdoor_c=2.0) / HOUR_S == pytest.approx(
        2.581541, abs=1e-6
    )


def test_r1_cool_down() -> None:
    """R1: 18 to 5 C at -10 C outdoors takes tau ln(28/15) = 34.675240 h."""
    cool_s = run_out_s(R1, air_c=18.0, floor_c=5.0, outdoor_c=-10.0)
    assert cool_s / HOUR_S == pytest.approx(34.675240, abs=1e-6)


def test_r1_unreachable_target_is_said_and_not_nan() -> None:
    """R1 at -20 C ends at 40 C: 45 C is out of reach (inf), and so is 40 C itself."""
    assert steady_c(R1, outdoor_c=-20.0, power_w=6000.0) == pytest.approx(40.0)
    for target_c in (40.0, 45.0):
        lead_s = lead_time_s(R1, start_c=5.0, target_c=target_c, outdoor_c=-20.0, power_w=6000.0)
        assert lead_s == math.inf


def test_r5_slab_without_loss() -> None:
    """R5: 9 kW into 48 m2 of 150 mm concrete (303.6 kJ/m2K, ISO 10456 values from memory)."""
    capacity_j_k = 48.0 * 0.150 * 2300.0 * 880.0
    assert capacity_j_k / 48.0 == pytest.approx(303.6e3)
    loss_w_k = 1e-4  # next to none
    slab = FirstOrder(capacity_j_k / loss_w_k, 1.0 / loss_w_k, 0.0)
    warmed_c = advance_c(slab, 10.0, outdoor_c=10.0, power_w=9000.0, seconds=HOUR_S)
    assert warmed_c - 10.0 == pytest.approx(2.22, abs=0.005)


def test_lead_time_holds_the_dead_time() -> None:
    """Advancing by the lead time, without heat for the dead time, ends at the target."""
    lead_s = lead_time_s(DELAYED, start_c=8.0, target_c=16.0, outdoor_c=-2.0, power_w=7000.0)
    idle_c = advance_c(DELAYED, 8.0, outdoor_c=-2.0, power_w=0.0, seconds=DELAYED.dead_time_s)
    end_c = advance_c(
        DELAYED, idle_c, outdoor_c=-2.0, power_w=7000.0, seconds=lead_s - DELAYED.dead_time_s
    )
    assert end_c == pytest.approx(16.0, abs=1e-9)


def test_pending_heat_shortens_the_lead_time_to_nothing() -> None:
    """Heat on its way makes the lead shorter, and 0 once it alone reaches the target."""
    leads = [
        lead_time_s(
            DELAYED, start_c=15.8, target_c=16.0, outdoor_c=0.0, power_w=7000.0, pending_j=pending
        )
        for pending in (0.0, 20e6, 60e6)
    ]
    assert leads[0] > leads[1] > leads[2] == 0.0


def test_lead_time_at_target_still_counts_what_the_dead_time_will_lose() -> None:
    """A room at target is not done: within the dead time it would fall below."""
    lead_s = lead_time_s(DELAYED, start_c=16.0, target_c=16.0, outdoor_c=0.0, power_w=7000.0)
    assert lead_s > DELAYED.dead_time_s


def test_pending_heat_without_dead_time_is_already_there() -> None:
    """With no dead time, pending heat lifts the room by heat over capacity at once."""
    capacity_j_k = R1.time_constant_s / R1.gain_k_per_w
    with_heat = lead_time_s(
        R1,
        start_c=5.0,
        target_c=18.0,
        outdoor_c=0.0,
        power_w=6000.0,
        pending_j=2.0 * capacity_j_k,
    )
    warmer = lead_time_s(R1, start_c=7.0, target_c=18.0, outdoor_c=0.0, power_w=6000.0)
    assert with_heat == pytest.approx(warmer)


def _air_by_ode(
    pending_w: list[float], slot_s: float, air_c: float, outdoor_c: float
) -> tuple[np.ndarray, np.ndarray]:
    """Times and air over the dead time after switch-off, by Runge-Kutta."""
    covered_s = len(pending_w) * slot_s

    def power_w(at_s: float) -> float:
        sent_s = at_s - DELAYED.dead_time_s + covered_s  # since the oldest slot began
        index = math.floor(sent_s / slot_s)
        return pending_w[index] if 0 <= index < len(pending_w) else 0.0

    def slope(at_s: float, air: np.ndarray) -> np.ndarray:
        goal_c = outdoor_c + DELAYED.offset_k + DELAYED.gain_k_per_w * power_w(at_s)
        return (goal_c - air) / DELAYED.time_constant_s

    at_s = np.linspace(0.0, DELAYED.dead_time_s, 721)
    solved = solve_ivp(
        slope, (0.0, DELAYED.dead_time_s), [air_c], t_eval=at_s, max_step=10.0, rtol=1e-9
    )
    return at_s, solved.y[0]


@pytest.mark.parametrize(
    ("pending_w", "slot_s"),
    [
        ([8000.0, 8000.0, 0.0, 0.0], 1800.0),  # the whole dead time, stopped an hour ago
        ([8000.0, 5000.0, 8000.0], 2700.0),  # older than the dead time: the first slot's start
        ([8000.0], 900.0),  # younger than the dead time: nothing before it
    ],
)
def test_coast_peak_is_that_of_the_equation(pending_w: list[float], slot_s: float) -> None:
    """Peak and its time after switch-off equal those of a numerical solution."""
    at_s, air_c = _air_by_ode(pending_w, slot_s, 16.0, 3.0)
    peak_c, until_s = coast_peak(
        DELAYED, air_c=16.0, outdoor_c=3.0, pending_w=pending_w, slot_s=slot_s
    )
    assert peak_c == pytest.approx(float(air_c.max()), abs=2e-3)  # heat flips within a 10 s step
    assert until_s == pytest.approx(float(at_s[air_c.argmax()]), abs=10.0)


def test_coast_without_pending_heat_peaks_now() -> None:
    """With nothing on its way the room only cools."""
    assert coast_peak(DELAYED, air_c=16.0, outdoor_c=0.0, pending_w=[], slot_s=900.0) == (16.0, 0.0)


def test_run_out_limits() -> None:
    """Already below: 0; outdoors warmer than the floor: never."""
    assert run_out_s(R1, air_c=4.9, floor_c=5.0, outdoor_c=0.0) == 0.0
    assert run_out_s(R1, air_c=9.0, floor_c=5.0, outdoor_c=6.0) == math.inf


def test_sun_and_offset_lift_the_steady_state() -> None:
    """The steady state is the sum of outdoors, offset, sun and heat."""
    steady = steady_c(DELAYED, outdoor_c=2.0, power_w=1000.0, sun_w_m2=300.0)
    assert steady == pytest.approx(2.0 + 1.0 + 3.0 + 6.0)


@pytest.mark.parametrize(
    "values",
    [
        (0.0, 0.01, 0.0),
        (-1.0, 0.01, 0.0),
        (1e5, 0.0, 0.0),
        (1e5, -0.01, 0.0),
        (1e5, 0.01, -1.0),
        (math.nan, 0.01, 0.0),
        (1e5, math.inf, 0.0),
    ],
)
def test_unstable_or_negative_parameters_are_refused(values: tuple[float, float, float]) -> None:
    """No response without positive time constant and gain can be built."""
    with pytest.raises(ValueError, match="must"):
        FirstOrder(*values)


def test_the_module_needs_the_standard_library_alone() -> None:
    """Importing it brings in no numpy, so the guard may."""
    code = (
        "import sys, models.first_order; "
        "sys.exit(any(name in sys.modules for name in ('numpy', 'scipy', 'sklearn')))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

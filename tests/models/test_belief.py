"""Draws from what is known, and lead times over them."""

from __future__ import annotations

import math
from dataclasses import astuple

import numpy as np
import pytest

from models.belief import (
    Belief,
    StandardErrors,
    as_covariance,
    belief_from_errors,
    draw,
    lead_time_quantiles_s,
)
from models.first_order import FirstOrder, lead_time_s

MODEL = FirstOrder(40 * 3600.0, 0.006, 3600.0, 1.0, 0.01)
ERRORS = StandardErrors(4 * 3600.0, 0.0006, 720.0, 0.5, 0.002)
PREHEAT = {"start_c": 8.0, "target_c": 16.0, "outdoor_c": 0.0, "power_w": 7000.0}


def test_draws_have_the_covariance_they_are_drawn_from() -> None:
    """Means, deviations and the one correlation come back, within the scatter of 20 000 draws."""
    belief = belief_from_errors(MODEL, ERRORS, time_gain_correlation=0.9)
    drawn = draw(belief, 20000, seed=4)
    logs = np.log([(m.time_constant_s, m.gain_k_per_w, m.dead_time_s) for m in drawn])
    assert logs.std(axis=0) == pytest.approx([0.1, 0.1, 0.2], rel=0.03)
    assert np.corrcoef(logs.T)[0, 1] == pytest.approx(0.9, abs=0.01)
    assert np.std([m.offset_k for m in drawn]) == pytest.approx(0.5, rel=0.03)


def test_standard_errors_come_back() -> None:
    """Storing standard errors and building the belief again loses nothing of them."""
    again = belief_from_errors(MODEL, ERRORS, time_gain_correlation=0.5).standard_errors()
    assert astuple(again) == pytest.approx(astuple(ERRORS))


def test_same_seed_same_draws() -> None:
    """A plan made twice from the same parameters is the same plan."""
    belief = belief_from_errors(MODEL, ERRORS)
    assert draw(belief, 5, seed=1) == draw(belief, 5, seed=1)
    assert draw(belief, 5, seed=1) != draw(belief, 5, seed=2)


def test_draws_are_positive_however_little_is_known() -> None:
    """No draw is refused, not even with a factor of e^3 of uncertainty."""
    vague = Belief(MODEL, as_covariance(np.diag([9.0, 9.0, 9.0, 100.0, 1.0])))
    drawn = draw(vague, 500, seed=3)
    assert all(model.sun_gain_k_m2_per_w >= 0 for model in drawn)
    assert len(drawn) == 500


def test_certain_parameters_have_one_lead_time() -> None:
    """Without uncertainty every quantile is the lead time itself."""
    certain = draw(Belief(MODEL, as_covariance(np.zeros((5, 5)))), 10, seed=1)
    quantiles = lead_time_quantiles_s(certain, [0.1, 0.5, 0.9], **PREHEAT)
    assert quantiles == pytest.approx([lead_time_s(MODEL, **PREHEAT)] * 3)


def test_correlation_narrows_the_lead_time() -> None:
    """Time constant and gain that err together heat at one pace: the lead is better known."""

    def width_s(correlation: float) -> float:
        belief = belief_from_errors(MODEL, ERRORS, time_gain_correlation=correlation)
        low_s, high_s = lead_time_quantiles_s(draw(belief, 400, seed=5), [0.1, 0.9], **PREHEAT)
        return high_s - low_s

    assert width_s(0.95) < 0.75 * width_s(0.0)


def test_quantiles_pass_on_that_a_target_may_be_out_of_reach() -> None:
    """Where some draws never get there, the high quantile is inf and the low one is not NaN."""
    models = [FirstOrder(1e5, 0.01, 0.0)] * 7 + [FirstOrder(1e5, 0.001, 0.0)] * 3
    low_s, high_s = lead_time_quantiles_s(models, [0.5, 0.9], **PREHEAT)
    assert math.isfinite(low_s)
    assert high_s == math.inf

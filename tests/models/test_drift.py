"""A building that changes, among days that scatter: noticed in time, and not without a cause."""

from __future__ import annotations

import math

import numpy as np
import pytest

from models.drift import LEAST_REFERENCE, LOSS_CHANGE, Days, daily_loss, find_drift

REFERENCE = 45
USUAL_SD = 0.08
"""Scatter of a day's loss: about what doors, people and wind do to it (chosen here, no source)."""
ALIKE = 0.3
"""How much a day is like the one before: windy weather lasts for days."""


def _days(rng, count, shift=0.0, since=0, sd=USUAL_SD):
    """Days that each keep something of the one before, 2 % of them odd; shifted from one on."""
    news = rng.normal(0.0, sd * math.sqrt(1.0 - ALIKE**2), count)
    values = np.zeros(count)
    values[0] = rng.normal(0.0, sd)
    for k in range(1, count):
        values[k] = ALIKE * values[k - 1] + news[k]
    values += (rng.random(count) < 0.02) * rng.normal(0.0, 5.0 * sd, count)
    values[since:] += shift
    return Days(values, np.ones(count))


@pytest.mark.parametrize("ratio", [1.25, 1.0 / 1.25])
def test_a_quarter_more_or_less_loss_is_noticed_within_a_week(ratio):
    """Most changes within seven days, with their sign, size and beginning; none is missed.

    600 other draws had 92 % within seven days, of buildings without an alarm before; of 150 draws
    fewer than 85 % would come up in one case of 300.
    """
    rng, changed = np.random.default_rng(5), REFERENCE + 20
    waits, sizes, begins = [], [], []
    for _ in range(150):
        days = _days(rng, REFERENCE + 60, math.log(ratio), changed)
        found = find_drift(days, reference=REFERENCE)
        assert found is not None
        if found.noticed >= changed:
            waits.append(found.noticed - changed + 1)
            sizes.append(found.shift)
            begins.append(found.since - changed)
            assert found.grows == (ratio > 1.0)
            assert 0.5 < found.confidence <= 1.0
    assert np.mean(np.array(waits) <= 7) >= 0.85
    # noticed early are those that came out large: the size is some tenths too far out
    assert 1.0 <= np.mean(sizes) / math.log(ratio) < 1.4
    assert abs(np.median(begins)) <= 1


def test_false_alarms_are_rarer_than_one_in_two_winters():
    """150 buildings that stay as they are: less than 0.5 alarms in two winters of 180 days.

    The rule promises 360 / 720 = 0.5 at most where mean and scatter are known exactly. That they
    come from 45 days costs something; that single days are clipped saves more.
    """
    rng = np.random.default_rng(6)
    alarms, looked_at = 0, 0
    for _ in range(150):
        found = find_drift(_days(rng, REFERENCE + 360), reference=REFERENCE)
        alarms += found is not None
        looked_at += 360 if found is None else found.noticed - REFERENCE + 1
    assert alarms / looked_at * 360.0 < 0.5


def test_one_odd_day_is_no_change():
    """A day on which the gate stood open, ten sd off, raises no alarm."""
    rng = np.random.default_rng(7)
    days = _days(rng, REFERENCE + 10, sd=0.05)
    quiet = Days(np.clip(days.shift, -0.08, 0.08), days.lever)
    quiet.shift[REFERENCE + 5] = 10 * 0.05
    assert find_drift(quiet, reference=REFERENCE) is None


def test_days_that_say_nothing_are_passed_over():
    """Unknown days and days without a lever change neither what is found nor its dates."""
    rng = np.random.default_rng(8)
    days = _days(rng, REFERENCE + 30, 0.3, REFERENCE + 10)
    shift, lever = days.shift.copy(), days.lever.copy()
    shift[REFERENCE + 3], lever[REFERENCE + 4] = np.nan, 0.0
    found = find_drift(Days(shift, lever), reference=REFERENCE)
    assert found is not None
    assert REFERENCE + 8 <= found.since <= found.noticed <= REFERENCE + 17


def test_firm_days_weigh_more():
    """Days of twice the lever tell a change sooner than the same days of half of it."""
    rng = np.random.default_rng(9)
    waits = {}
    for lever in (1.0, 3.0):
        found = []
        for _ in range(40):
            days = _days(rng, REFERENCE + 60, 0.2, REFERENCE, sd=0.12 / lever)
            one = find_drift(Days(days.shift, lever * days.lever), reference=REFERENCE)
            found.append(60 if one is None else one.noticed - REFERENCE)
        waits[lever] = np.mean(found)
    assert waits[3.0] < 0.6 * waits[1.0]


def test_the_scale_of_levers_does_not_matter():
    """Kelvins or centikelvins: the same is found."""
    days = _days(np.random.default_rng(10), REFERENCE + 30, 0.3, REFERENCE + 10)
    scaled = Days(days.shift, 100.0 * days.lever)
    one, two = (find_drift(d, reference=REFERENCE) for d in (days, scaled))
    assert one is not None
    assert two is not None
    assert (two.since, two.noticed) == (one.since, one.noticed)
    assert two.shift_sd == pytest.approx(one.shift_sd)


def test_too_few_unchanged_days_are_refused():
    """Scatter is not told from thirteen days."""
    days = _days(np.random.default_rng(1), 40)
    with pytest.raises(ValueError, match="13 unchanged days"):
        find_drift(days, reference=LEAST_REFERENCE - 1)


def test_nothing_after_the_reference_is_no_change():
    """Right after a fit there is nothing to judge yet."""
    days = _days(np.random.default_rng(1), REFERENCE)
    assert find_drift(days, reference=REFERENCE) is None


def test_errors_become_the_change_of_loss_that_explains_them():
    """A first-order room by hand: rise x (exp(-24 h/tau) ...) with 25 % more loss gives log 1.25.

    Steady heat P in a room of loss H: rise P/H. Predicted with the old H, measured with the new:
    the error is P/H - P/(1.25 H). The sensitivity is taken by a small step, and the logarithm is
    not linear, hence the 15 %: (1 - 1/1.25) / ln 1.25 is 0.90.
    """
    power_w, loss_w_k = np.array([2000.0, 3000.0, 0.0]), 150.0
    error_k = power_w / loss_w_k - power_w / (1.25 * loss_w_k)
    sensitivity_k = (power_w / (1.01 * loss_w_k) - power_w / loss_w_k) / math.log(1.01)
    days = daily_loss(error_k, sensitivity_k, np.array([0, 0, 2]))
    assert days.shift[0] == pytest.approx(LOSS_CHANGE, rel=0.15)
    assert np.isnan(days.shift[1:]).all()
    assert days.lever[0] == pytest.approx(math.sqrt(np.mean(sensitivity_k[:2] ** 2)))
    assert days.lever[1:].tolist() == [0.0, 0.0]

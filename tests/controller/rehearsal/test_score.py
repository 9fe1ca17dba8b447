"""What a diary keeps and how sessions are scored from it, against numbers worked out by hand."""

import math
from collections.abc import Callable, Mapping
from datetime import UTC, datetime

import numpy as np
import pytest

from controller.records.plan import Arrival
from controller.records.sessions import Session
from controller.records.site import Heater, Relay
from controller.rehearsal.diary import Diary
from controller.rehearsal.score import (
    Prediction,
    Scorecard,
    as_text,
    score_sessions,
    total,
)

HOUR_S = 3600.0
START_S = 1_000_000_020.0
HEATER = Heater("boiler", 6000.0, 50.0, ("loop",), Relay("t", True))
SESSION = Session("a@1", "bench", START_S + 10 * HOUR_S, START_S + 12 * HOUR_S, 18.0)


class Scripted:
    """A building whose truth is a function of time."""

    def __init__(self, truth: Callable[[float], Mapping[str, float]]) -> None:
        self.at_s = START_S
        self._truth = truth

    @property
    def now(self) -> datetime:
        return datetime.fromtimestamp(self.at_s, UTC)

    def sense(self) -> Mapping[str, float]:
        return {"air": 0.0}

    def advance(self, seconds: float, heater_on: bool) -> None:
        self.at_s += seconds

    def truth(self) -> Mapping[str, float]:
        return self._truth((self.at_s - START_S) / HOUR_S)


def kept(
    truth: Callable[[float], Mapping[str, float]],
    on: Callable[[float], bool],
    hours: float = 13.0,
    values: Mapping[str, float] | None = None,
) -> Diary:
    """A diary of that many hours at 10 s ticks."""
    diary, building = Diary(HEATER, ["bench"]), Scripted(truth)
    for tick in range(round(hours * 360) + 1):
        at_s = START_S + 10.0 * tick
        diary.note(building, values or building.sense(), at_s=at_s)
        diary.command(on((at_s - START_S) / HOUR_S), at_s=at_s)
        building.advance(10.0, False)
    return diary


def ramp(hour: float) -> Mapping[str, float]:
    """Room air rises by 1 K an hour from 7.2 °C; 6 kW from hour 4 to 9.5."""
    return {"air": 7.2 + hour, "energy": 6.0 * min(max(hour - 4.0, 0.0), 5.5)}


def heated(hour: float) -> bool:
    return 4.0 <= hour < 9.5


def test_a_session_is_scored_as_by_hand() -> None:
    """A ramp that is at 17.2 °C when 18 °C is wanted: 0.045 K·h short, 1.2 K over in the end."""
    diary = kept(ramp, heated)
    (score,) = score_sessions(diary, [SESSION], {}, start_s=START_S)
    assert score.actual_c == pytest.approx(17.2, abs=0.01)
    assert not score.ready
    # a triangle of 0.3 K by 0.3 h; the sum over minutes is half a minute's worth coarse
    assert score.shortfall_kh == pytest.approx(0.3 * 0.3 / 2, abs=0.003)
    assert score.overshoot_k == pytest.approx(1.2, abs=0.02)
    assert score.energy_kwh == pytest.approx(33.0, abs=0.01)
    assert score.heat_from_s == START_S + 4 * HOUR_S
    assert score.heat_until_s == START_S + 9.5 * HOUR_S
    # from 9.5 h to the end at 12 h, at 1 K an hour
    assert score.rise_after_k == pytest.approx(2.5, abs=0.1)


@pytest.mark.parametrize(("start_c", "ready"), [(17.49, False), (17.51, True), (18.4, True)])
def test_ready_is_half_a_kelvin_below_target_or_more(start_c: float, ready: bool) -> None:
    """A steady room is ready from 17.5 °C on for a target of 18 °C."""
    diary = kept(lambda _: {"air": start_c}, heated)
    (score,) = score_sessions(diary, [SESSION], {}, start_s=START_S)
    assert score.ready is ready


def test_a_door_at_the_start_does_not_make_a_room_unready() -> None:
    """Five minutes at 12 °C when people come in leave the smoothed air where it was."""
    dip = 10.0 + 5 / 60
    diary = kept(lambda h: {"air": 12.0 if 10.0 <= h < dip else 18.0}, heated)
    (score,) = score_sessions(diary, [SESSION], {}, start_s=START_S)
    assert score.actual_c == 18.0
    assert score.ready
    assert score.shortfall_kh == 0.0


def test_without_a_truth_the_sensors_count() -> None:
    """A building that tells no truth is scored by its own air and the rating while on."""
    diary = kept(lambda _: {}, heated, values={"air": 17.8})
    (score,) = score_sessions(diary, [SESSION], {}, start_s=START_S)
    assert score.actual_c == pytest.approx(17.8)
    assert score.energy_kwh == pytest.approx(6.0 * 5.5, abs=0.02)


def test_a_power_sensor_beats_the_rating() -> None:
    """Where power is sensed and energy is not, it is the power that is summed."""
    diary = kept(lambda _: {}, heated, values={"air": 17.8, "power": 2000.0})
    assert diary.energy_kwh(START_S, diary.end_s) == pytest.approx(2.0 * 13.0, rel=0.01)


def test_sessions_still_running_are_left_out() -> None:
    """A session that had not ended when the diary did has no score."""
    diary = kept(ramp, heated, hours=11.0)
    assert score_sessions(diary, [SESSION], {}, start_s=START_S) == ()


def test_energy_belongs_to_the_session_it_was_for() -> None:
    """Each session carries the energy since the end of the one before it."""
    earlier = Session("b@1", "bench", START_S + 5 * HOUR_S, START_S + 6 * HOUR_S, 16.0)
    first, second = score_sessions(kept(ramp, heated), [earlier, SESSION], {}, start_s=START_S)
    assert first.energy_kwh == pytest.approx(12.0, abs=0.01)
    assert second.energy_kwh == pytest.approx(21.0, abs=0.01)
    assert second.heat_from_s == START_S + 6 * HOUR_S


def test_totals_add_up() -> None:
    """Totals hold the whole time, the coldest room and the share of ready sessions."""
    diary = kept(ramp, heated)
    scores = score_sessions(diary, [SESSION], {}, start_s=START_S)
    sums = total("ours", diary, scores, start_s=START_S)
    assert (sums.sessions, sums.ready, sums.ready_share) == (1, 0, 0.0)
    assert sums.energy_kwh == pytest.approx(33.0, abs=0.01)
    assert sums.coldest_c == pytest.approx(7.2, abs=0.02)


def test_no_session_gives_a_total_without_a_division_by_zero() -> None:
    """A time without sessions still has an energy and a share of zero."""
    sums = total("ours", kept(ramp, heated), (), start_s=START_S)
    assert sums.ready_share == 0.0
    assert math.isfinite(sums.mean_overshoot_k)


def test_the_table_says_what_was_predicted_and_what_came() -> None:
    """The text holds the prediction with its interval, the outcome and how often it held."""
    prediction = Prediction.of(Arrival("a@1", 18.0, 17.0, 16.4, 17.6, True), made_s=START_S)
    scores = score_sessions(kept(ramp, heated), [SESSION], {"a@1": prediction}, start_s=START_S)
    sums = total("ours", kept(ramp, heated), scores, start_s=START_S)
    text = as_text(Scorecard(scores, (sums,), ("all well",)), time_zone="UTC")
    assert "17.0 (16.4 to 17.6)" in text
    assert "17.2 °C" in text
    assert "held the actual room air in 1 of 1 sessions" in text
    assert "0 of 1 (0 %)" in text
    assert "Note: all well" in text


def test_no_session_is_said() -> None:
    """A table without rows says so instead of being empty."""
    assert "No session ended" in as_text(Scorecard((), ()), time_zone="UTC")


def test_on_spans_are_clipped_and_joined() -> None:
    """Commands that repeat make one span, cut to what is asked for."""
    diary = kept(ramp, heated)
    assert diary.on_spans(START_S, START_S + 5 * HOUR_S) == [
        (START_S + 4 * HOUR_S, START_S + 5 * HOUR_S)
    ]
    assert diary.on_spans(START_S + 10 * HOUR_S, START_S + 12 * HOUR_S) == []


def test_an_unknown_stretch_of_air_is_nan_not_zero() -> None:
    """A building that loses its air sensor has no actual temperature, and is not ready."""
    diary = kept(lambda _: {}, heated, values={"slab": 20.0})
    (score,) = score_sessions(diary, [SESSION], {}, start_s=START_S)
    assert np.isnan(score.actual_c)
    assert not score.ready

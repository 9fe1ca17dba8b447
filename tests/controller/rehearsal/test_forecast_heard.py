"""A building's own forecast: heard when it changes, refused where it is none, planned on."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from controller.records.forecast import ForecastPoint
from controller.records.limits import Limits
from controller.records.sessions import Session
from controller.records.site import Site
from controller.rehearsal.building import BuildingError
from controller.rehearsal.controller_driver import ControllerDriver, Rehearsed
from controller.rehearsal.heard_forecast import ASK_EVERY_S, HOURS_AHEAD, forecast_news, points_of

START = datetime(2025, 1, 13, tzinfo=UTC)
START_S = START.timestamp()
HOUR_S = 3600.0

Entries = list[tuple[datetime, Mapping[str, float]]]


class Forecaster:
    """A building that forecasts by the full hour from a table, and one that is asked."""

    def __init__(self) -> None:
        self.now = START
        self.level_c = 0.0
        self.asked = 0

    def sense(self) -> Mapping[str, float]:
        return {"air": 9.0, "slab": 10.0, "outdoor": 2.0}

    def advance(self, seconds: float, heater_on: bool) -> None:
        self.now += timedelta(seconds=seconds)

    def forecast(self, hours: float) -> Entries:
        assert hours == HOURS_AHEAD
        self.asked += 1
        first = self.now.replace(minute=0, second=0)
        steps = (first + timedelta(hours=k) for k in range(1 + round(hours)))
        return [(at, {"outdoor": self.level_c + at.hour, "Irradiance": 10.0}) for at in steps]


def heard(building: Forecaster, hours: int, *, change_h: int | None = None) -> list[float]:
    """The hours of a day, in minutes, at which something new is heard."""
    news = forecast_news(building, spec="x")
    assert news is not None
    found = []
    for minute in range(60 * hours):
        if change_h is not None and minute == 60 * change_h:
            building.level_c += 1.0
        if news(START_S + 60.0 * minute) is not None:
            found.append(minute / 60.0)
        building.advance(60.0, False)
    return found


def test_what_was_said_before_is_no_news() -> None:
    """The building is asked twice an hour; the same week is news when it reaches 6 h further."""
    building = Forecaster()
    assert heard(building, 13) == [0.0, 6.0, 12.0]
    assert building.asked == 13 * HOUR_S / ASK_EVERY_S


def test_a_changed_forecast_is_heard_when_the_building_is_asked_next() -> None:
    """Within half an hour of the change, and reckoned from there on."""
    assert heard(Forecaster(), 12, change_h=3) == [0.0, 3.0, 9.0]


def test_what_is_heard_is_what_was_said() -> None:
    """Points by time in house units, with the time at which they were heard."""
    news = forecast_news(Forecaster(), spec="x")
    assert news is not None
    forecast = news(START_S + 5.0)
    assert forecast is not None
    assert forecast.received_s == START_S + 5.0
    assert len(forecast.points) == 169
    assert forecast.points[1] == ForecastPoint(START_S + HOUR_S, 1.0, 10.0)


def test_a_building_without_a_forecast_brings_none() -> None:
    """The forecast is optional on a building."""
    assert forecast_news(object(), spec="x") is None


def test_points_are_sorted_and_nan_is_not_said() -> None:
    """Roles as in sense(), price and surplus too; what is not finite counts as not told."""
    later = START + timedelta(hours=1)
    told: Entries = [
        (later, {"wind": float("nan"), "price": 0.3, "solar surplus": 900}),
        (START, {"outdoor": -2}),
    ]
    assert points_of(told) == (
        ForecastPoint(START_S, outdoor_c=-2.0),
        ForecastPoint(START_S + HOUR_S, price_per_kwh=0.3, surplus_w=900.0),
    )


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ([(START.replace(tzinfo=None), {"outdoor": 1.0})], "not an aware datetime"),
        ([(START_S, {"outdoor": 1.0})], "not an aware datetime"),
        ([(START, {"rain": 1.0})], "unknown role 'rain'"),
        ([(START, {"outdoor": "cold"})], "a number is expected"),
        ([START], "not a time and a mapping"),
        ([(START, 5)], "not a time and a mapping"),
        (ZeroDivisionError("oops"), "forecast\\(\\) failed: ZeroDivisionError: oops"),
    ],
)
def test_a_forecast_that_cannot_be_used_is_named(answer: Any, words: str) -> None:
    """The message says which building it was and what is wrong with its forecast."""

    class Odd(Forecaster):
        def forecast(self, hours: float) -> Entries:
            if isinstance(answer, Exception):
                raise answer
            return answer

    news = forecast_news(Odd(), spec="my/shed.py:make")
    assert news is not None
    with pytest.raises(BuildingError, match=words) as raised:
        news(START_S)
    assert str(raised.value).startswith("my/shed.py:make: ")


def test_the_controller_keeps_what_it_hears_and_plans_on_it_at_once(
    site: Site, evening: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A changed forecast is in the history, and a plan is made in the same tick."""
    made_s: list[float] = []

    def noted(self: ControllerDriver, now_s: float, sessions: Any) -> None:
        made_s.append((now_s - START_S) / 60.0)

    monkeypatch.setattr(ControllerDriver, "_make_plan", noted)
    monkeypatch.setattr(ControllerDriver, "_learn", lambda self, now_s: None)
    building = Forecaster()
    rehearsed = Rehearsed(site, site.heaters[0], Limits(), (evening,), 1.75 * HOUR_S)
    news = forecast_news(building, spec="x")
    driver = ControllerDriver(rehearsed, start_s=START_S, forecast_news=news)
    for minute in range(200):
        building.level_c = 1.0 if minute >= 80 else 0.0
        driver.heat(START_S + 60.0 * minute, dict(building.sense()))
        building.advance(60.0, False)
    kept = driver.memory.forecasts(START_S, START_S + 200 * 60.0)
    assert [(f.received_s - START_S) / 60.0 for f in kept] == [0.0, 90.0]
    assert made_s == [1.0, 90.0, 195.0]

"""A forecast on its way in: heard, stored, told to the planner, not more often than it may be."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace

import pytest

from controller.intake import FORECAST_PAUSE_S, Intake
from controller.records.forecast import Forecast
from controller.records.readings import Reading, Rejection, RejectionCount
from controller.records.site import ForecastFeed, ForecastValue, Role
from controller.sensors.decode import Message
from controller.store.failures import StoreFailed
from tests.controller.builders import START, later, make_site

TOPIC = "workshop/forecast"
FEED = ForecastFeed(TOPIC, "/at", (ForecastValue(Role.OUTDOOR, "/t", "°C"),), "")


class Shelf:
    """A store of forecasts in memory, which can be made to fail."""

    def __init__(self) -> None:
        self.forecasts: list[Forecast] = []
        self.readings: list[Reading] = []
        self.counts: list[RejectionCount] = []
        self.fails = False

    def add_forecast(self, forecast: Forecast) -> bool:
        if self.fails:
            raise StoreFailed("disk full")
        is_news = not self.forecasts or self.forecasts[-1].points != forecast.points
        if is_news:
            self.forecasts.append(forecast)
        return is_news

    def add_readings(self, readings: Sequence[Reading]) -> None:
        self.readings += readings

    def count_rejections(self, counts: Sequence[RejectionCount]) -> None:
        self.counts += counts


class Door:
    """An intake of a site with a forecast, its store, and how often it asked for plans."""

    def __init__(self) -> None:
        self.messages: list[Message] = []
        self.lost: dict[str, int] = {}
        self.shelf, self.asked = Shelf(), 0
        site = replace(make_site(), forecast=FEED)
        self.intake = Intake(site, self, on_forecast=self._ask)

    def _ask(self) -> None:
        self.asked += 1

    def drain(self) -> Sequence[Message]:
        drained, self.messages = self.messages, []
        return drained

    def take_lost(self) -> Mapping[str, int]:
        lost, self.lost = self.lost, {}
        return lost

    def say(self, outdoor_c: object, seconds: float = 0.0, *, topic: str = TOPIC) -> None:
        payload = json.dumps([{"at": START.utc_s + 86400, "t": outdoor_c}]).encode()
        self.messages.append(Message(topic, payload, False, later(seconds), 1))

    def take(self, seconds: float) -> list[str]:
        notices = self.intake.take(later(seconds), self.shelf, at_once=False)
        return [notice.text for notice in notices]

    def stored(self) -> list[float | None]:
        return [forecast.points[0].outdoor_c for forecast in self.shelf.forecasts]


@pytest.fixture
def door() -> Door:
    found = Door()
    found.take(0.0)
    return found


def test_a_forecast_is_stored_and_asks_for_plans_at_once(door: Door) -> None:
    """In the tick in which it is heard, with the readings that the plans start from."""
    door.messages.append(Message("workshop/bay-air", b"14.5", False, later(5.0), 1))
    door.say(3.5, 5.0)
    assert door.take(10.0) == []
    assert (door.stored(), door.asked) == ([3.5], 1)
    assert door.shelf.forecasts[0].received_s == later(5.0).utc_s
    assert [reading.value for reading in door.shelf.readings] == [14.5]


def test_a_stream_of_forecasts_is_thinned(door: Door) -> None:
    """One in ten minutes is stored and planned on, always the latest; none is left behind."""
    for second in range(0, 1200, 10):
        door.say(second / 100.0, second)
        door.take(second)
    # heard at 0 and 600 s; the ones in between have given way to newer ones
    assert (door.stored(), door.asked) == ([0.0, 6.0], 2)
    door.take(2 * FORECAST_PAUSE_S)
    assert (door.stored(), door.asked) == ([0.0, 6.0, 11.9], 3)


def test_the_same_forecast_again_asks_for_nothing(door: Door) -> None:
    """What a broker hands out again after a reconnect changes no plan."""
    for seconds in (0.0, 700.0, 1400.0):
        door.say(3.5, seconds)
        door.take(seconds)
    assert (door.stored(), door.asked) == ([3.5], 1)


def test_a_bad_forecast_is_told_and_counted(door: Door) -> None:
    """Like a sensor's bad payload, under the forecast's own id; a good one before it stays."""
    door.say(3.5)
    door.say("warm")
    (text,) = door.take(60.0)
    assert "forecast: not_a_number" in text
    assert [(c.sensor, c.reason, c.count) for c in door.shelf.counts] == [
        ("forecast", Rejection.NOT_A_NUMBER, 1)
    ]
    assert door.stored() == [3.5]


def test_other_topics_hold_no_forecast(door: Door) -> None:
    """Only what is said on the forecast's topic is read as one."""
    door.say(3.5, topic="workshop/bay-air")
    door.take(10.0)
    assert door.asked == 0


def test_a_store_that_fails_gets_the_forecast_again(door: Door) -> None:
    """No plan is asked for before the planner can read the forecast in the store."""
    door.shelf.fails = True
    door.say(3.5)
    for seconds in (1.0, 11.0):
        with pytest.raises(StoreFailed):
            door.take(seconds)
    door.shelf.fails = False
    door.take(21.0)
    assert (door.stored(), door.asked) == ([3.5], 1)

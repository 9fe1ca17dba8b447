"""A long forecast through a real broker: retained, whole, decoded."""

from __future__ import annotations

import json

from controller.records.forecast import Forecast
from controller.records.site import ForecastFeed, ForecastValue, Role
from controller.sensors.decode import SIZE_LIMIT_BYTES
from controller.sensors.decode_forecast import FORECAST_LIMIT_BYTES, decode_forecast

FEED = ForecastFeed("shed/forecast", "/at", (ForecastValue(Role.OUTDOOR, "/t", "°C"),), "")


def test_a_forecast_longer_than_any_reading_arrives_whole(intake, peer, clock, eventually):
    """What a broker had kept for us, larger than a sensor's payload may be, becomes a forecast."""
    now_s = clock.now().utc_s
    entries = [{"at": now_s + 600 * k, "t": 0.01 * k, "sky": "grey " * 30} for k in range(1000)]
    payload = json.dumps(entries).encode()
    assert SIZE_LIMIT_BYTES < len(payload) < FORECAST_LIMIT_BYTES
    peer().say(FEED.topic, payload, qos=1, retain=True)
    sensors = intake(FEED.topic)
    eventually(lambda: sensors.received)
    [message] = sensors.drain()
    found = decode_forecast(FEED, message)
    assert isinstance(found, Forecast)
    assert len(found.points) == 1000

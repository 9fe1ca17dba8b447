"""Forecast payloads good and bad: a forecast, or a counted reason, never an exception."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.records.forecast import Forecast, ForecastPoint
from controller.records.instant import Instant
from controller.records.readings import Rejection
from controller.records.site import ForecastFeed, ForecastValue, Role
from controller.sensors.decode import Message, Rejected
from controller.sensors.decode_forecast import (
    FORECAST_LIMIT_BYTES,
    POINTS_MAX,
    decode_forecast,
)

NOW_S = 1_700_000_000.0  # 2023-11-14 22:13:20 UTC
HOUR_S = 3600.0
ENTRIES = ForecastFeed(
    topic="shed/forecast",
    time_pointer="/at",
    values=(
        ForecastValue(Role.OUTDOOR, "/t", "°F"),
        ForecastValue(Role.IRRADIANCE, "/sun", "W/m2"),
        ForecastValue(Role.WIND, "/wind", "km/h"),
        ForecastValue(Role.PRICE, "/cost/now", "EUR/MWh"),
        ForecastValue(Role.SOLAR_SURPLUS, "/pv", "kW"),
    ),
    entries_pointer="/hours",
)
OUTDOOR = replace(ENTRIES, values=(ForecastValue(Role.OUTDOOR, "/t", "°C"),))
LISTS = ForecastFeed(
    topic="shed/forecast",
    time_pointer="/hourly/time",
    values=(
        ForecastValue(Role.OUTDOOR, "/hourly/t", "°C"),
        ForecastValue(Role.WIND, "/hourly/wind", "m/s"),
    ),
)


def decoded(feed: ForecastFeed, payload: bytes, *, retained: bool = False) -> Forecast | Rejected:
    message = Message(feed.topic, payload, retained, Instant(NOW_S, 5.0), sequence=1)
    return decode_forecast(feed, message)


def forecast(feed: ForecastFeed, document: Any, *, retained: bool = False) -> Forecast:
    outcome = decoded(feed, json.dumps(document).encode(), retained=retained)
    assert isinstance(outcome, Forecast), outcome
    return outcome


def reason(feed: ForecastFeed, payload: bytes) -> Rejection:
    outcome = decoded(feed, payload)
    assert isinstance(outcome, Rejected), outcome
    assert outcome.sensor == "forecast"
    return outcome.reason


def hours(*entries: dict[str, Any]) -> bytes:
    return json.dumps({"hours": entries}).encode()


def outdoors(*pairs: tuple[Any, Any]) -> bytes:
    return hours(*({"at": at, "t": t} for at, t in pairs))


def test_entries_become_points_in_house_units() -> None:
    """Each quantity is found in its entry and turned into °C, W/m2, m/s, per kWh and W."""
    entry = {"at": NOW_S, "t": 50, "sun": 120, "wind": 36, "cost": {"now": 250}, "pv": "1.5"}
    found = forecast(ENTRIES, {"hours": [entry, {**entry, "at": NOW_S + HOUR_S}]})
    assert found.received_s == NOW_S
    # 50 °F = 10 °C; 36 km/h = 10 m/s
    first = ForecastPoint(NOW_S, pytest.approx(10.0), 120.0, pytest.approx(10.0), 0.25, 1500.0)
    assert found.points == (first, replace(first, at_s=NOW_S + HOUR_S))


def test_lists_of_one_length_become_points() -> None:
    """Without entries the pointers lead to one list for the times and one for each quantity."""
    times = [NOW_S + HOUR_S, NOW_S + 2 * HOUR_S]
    found = forecast(LISTS, {"hourly": {"time": times, "t": [-1, -2.5], "wind": [3, None]}})
    assert found.points == (
        ForecastPoint(times[0], outdoor_c=-1.0, wind_m_s=3.0),
        ForecastPoint(times[1], outdoor_c=-2.5),
    )


@pytest.mark.parametrize(
    "at",
    [NOW_S + HOUR_S, (NOW_S + HOUR_S) * 1000, "2023-11-14T23:13:20Z", "2023-11-15T00:13:20+01:00"],
)
def test_a_time_is_seconds_milliseconds_or_iso(at: Any) -> None:
    """All ways to write one moment mean that moment."""
    found = forecast(OUTDOOR, {"hours": [{"at": at, "t": 1}]})
    assert found.points == (ForecastPoint(NOW_S + HOUR_S, outdoor_c=1.0),)


def test_the_payload_may_be_the_list_and_an_entry_a_list() -> None:
    """The empty pointer is the whole payload, and a pointer within an entry may be an index."""
    feed = replace(
        OUTDOOR,
        entries_pointer="",
        time_pointer="/0",
        values=(ForecastValue(Role.OUTDOOR, "/1", "°C"),),
    )
    found = forecast(feed, [[NOW_S + 1, 3], [NOW_S + 2, 4]])
    assert [point.outdoor_c for point in found.points] == [3.0, 4.0]


def test_points_come_by_time_and_repeated_ones_once() -> None:
    """The order in the payload does not matter, nor that a point is said twice alike."""
    pairs = [(NOW_S + 3 * HOUR_S, 3), (NOW_S + HOUR_S, 1), (NOW_S + 3 * HOUR_S, 3.0)]
    found = forecast(OUTDOOR, json.loads(outdoors(*pairs)))
    assert [(p.at_s - NOW_S, p.outdoor_c) for p in found.points] == [
        (HOUR_S, 1.0),
        (3 * HOUR_S, 3.0),
    ]


def test_what_an_entry_leaves_out_is_not_told() -> None:
    """Prices end before the weather does: a missing key or null is None, no reason to refuse."""
    entries = [
        {"at": NOW_S + HOUR_S, "t": 32, "sun": None, "wind": 0, "cost": {"now": 1}, "pv": 0},
        {"at": NOW_S + 2 * HOUR_S, "t": 32, "sun": 5, "wind": 0},
        {"at": NOW_S + 3 * HOUR_S},
    ]
    first, second = forecast(ENTRIES, {"hours": entries}).points
    assert (first.irradiance_w_m2, first.price_per_kwh) == (None, 0.001)
    assert (second.irradiance_w_m2, second.price_per_kwh, second.surplus_w) == (5.0, None, None)


def test_old_and_far_points_are_left_out() -> None:
    """A day back and 16 days ahead are kept, beyond that nothing is."""
    days = [-1.01, -0.99, 1, 15.99, 16.01]
    found = forecast(OUTDOOR, json.loads(outdoors(*((NOW_S + d * 86400, d) for d in days))))
    assert [point.outdoor_c for point in found.points] == [-0.99, 1.0, 15.99]


def test_a_retained_forecast_is_as_good() -> None:
    """Every point carries its own time, so that the age of the message does not matter."""
    document = json.loads(outdoors((NOW_S - HOUR_S, 1), (NOW_S + HOUR_S, 2)))
    assert forecast(OUTDOOR, document, retained=True) == forecast(OUTDOOR, document)


LATER = NOW_S + HOUR_S
BAD = [
    (b"\xff", Rejection.NOT_TEXT),
    (b"", Rejection.NOT_JSON),
    (b"unavailable", Rejection.NOT_JSON),
    (b"[" * 100_000, Rejection.NOT_JSON),
    (b'{"hours": [' + b" " * FORECAST_LIMIT_BYTES + b"]}", Rejection.TOO_LARGE),
    (b"{}", Rejection.POINTER_FINDS_NOTHING),
    (b'{"hours": {}}', Rejection.NOT_A_LIST),
    (b'{"hours": "x"}', Rejection.NOT_A_LIST),
    (hours({"t": 1}), Rejection.POINTER_FINDS_NOTHING),
    (hours({"at": LATER, "temp": 1}), Rejection.POINTER_FINDS_NOTHING),
    (hours(*({"at": LATER + i, "t": 1} for i in range(POINTS_MAX + 1))), Rejection.TOO_MANY_POINTS),
    (outdoors((LATER, "warm")), Rejection.NOT_A_NUMBER),
    (outdoors((LATER, True)), Rejection.NOT_A_NUMBER),
    (outdoors((LATER, float("nan"))), Rejection.NOT_FINITE),
    (outdoors((LATER, 1), (LATER + 1, float("inf"))), Rejection.NOT_FINITE),
    (outdoors((LATER, "NaN")), Rejection.NOT_FINITE),
    (outdoors((LATER, 1), (LATER + 1, 280)), Rejection.IMPLAUSIBLE_VALUE),  # kelvin
    (outdoors((float("nan"), 1)), Rejection.BAD_TIME),
    (outdoors((None, 1)), Rejection.BAD_TIME),
    (outdoors(("2023-11-15T10:00", 1)), Rejection.BAD_TIME),  # no offset
    (outdoors((LATER, 1), (LATER, 2)), Rejection.TWO_FOR_ONE_TIME),
    (outdoors((NOW_S - HOUR_S, 1), (NOW_S, 2)), Rejection.IN_THE_PAST),
    (outdoors((NOW_S - 90 * 86400, 1)), Rejection.IN_THE_PAST),
    (outdoors((LATER, None)), Rejection.IN_THE_PAST),
    (b'{"hours": []}', Rejection.IN_THE_PAST),
    (outdoors((NOW_S + 40 * 86400, 1)), Rejection.FROM_THE_FUTURE),
]


@pytest.mark.parametrize(("payload", "expected"), BAD, ids=[f"{b[:24]!r}-{r}" for b, r in BAD])
def test_a_bad_payload_is_refused_with_its_reason(payload: bytes, expected: Rejection) -> None:
    """One thing that cannot be right is enough: the whole forecast is refused."""
    assert reason(OUTDOOR, payload) is expected


def test_lists_of_different_length_are_refused() -> None:
    """Nobody knows which value belongs to which time then."""
    document = {"hourly": {"time": [LATER, LATER + 1], "t": [1, 2], "wind": [1]}}
    assert reason(LISTS, json.dumps(document).encode()) is Rejection.UNEQUAL_LISTS


def test_as_many_points_as_are_allowed_are_taken() -> None:
    """The bound itself is within the bound."""
    pairs = [(NOW_S + 60.0 * i, 1) for i in range(POINTS_MAX)]
    assert len(forecast(OUTDOOR, json.loads(outdoors(*pairs))).points) == POINTS_MAX


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=5) | st.integers(),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["hours", "at", "t", "cost", "hourly"]), inner)
    ),
    max_leaves=12,
)


@given(JSON.map(lambda document: json.dumps(document).encode()) | st.binary(max_size=60))
def test_nothing_that_arrives_raises(payload: bytes) -> None:
    """Whatever the bytes, there is a forecast whose points ascend, or a reason."""
    for feed in (ENTRIES, LISTS):
        outcome = decoded(feed, payload)
        if isinstance(outcome, Forecast):
            times_s = [point.at_s for point in outcome.points]
            assert times_s == sorted(set(times_s))
            assert times_s[-1] > NOW_S

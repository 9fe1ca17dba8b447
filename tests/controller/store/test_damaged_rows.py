"""Rows that a damaged disk or a hand has spoiled: each is none, and costs no more than itself."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from controller.records.decision import Decision, HeaterState
from controller.records.forecast import Forecast, ForecastPoint
from controller.records.readings import Reading
from controller.store import Reader, StoreFailed, Writer

MakeDecision = Callable[..., Decision]

STATE = HeaterState(sequence=7, issued_s=1000.125, latched=frozenset({"slab_over_temperature"}))
DAMAGED_STATES = (
    *("{", "[]", '{"sequence": "x"}', '{"latched": 3}', "null", "[" * 100_000),
    # what no relay could go on from: the next command could neither be stored nor outdo it
    *('{"sequence": -1}', f'{{"sequence": {10**30}}}', f'{{"sequence": {10**400}}}'),
    *(f'{{"issued_s": {number}}}' for number in ("Infinity", "NaN", "1e200", "-1.0")),
)


def test_unreadable_state_is_told_from_none(writer: Writer) -> None:
    """A damaged state gives None and is named; a saved one heals it."""
    for damaged in DAMAGED_STATES:
        writer.save_state("boiler", STATE)
        writer._connection.execute("UPDATE heater_state SET state = ?", (damaged,))
        assert writer.state("boiler") is None
        assert list(writer.unreadable_states) == ["boiler"]
    writer.save_state("boiler", STATE)
    assert writer.unreadable_states == {}
    assert writer.state("boiler") == STATE


def test_a_last_sequence_that_cannot_be_is_none(writer: Writer, decide: MakeDecision) -> None:
    """A damaged row does not keep the service from starting; the seconds since 1970 stand in."""
    writer.add_decision(decide(100.0, sequence=7), STATE)
    assert writer.last_sequence("boiler") == 7
    for damaged in (1e300, "x", b"7", -1, 2**62):
        writer._connection.execute("UPDATE decision SET sequence = ?", (damaged,))
        assert writer.last_sequence("boiler") == 0


def test_a_number_without_room_is_a_store_failure(writer: Writer, decide: MakeDecision) -> None:
    """The service then goes on with what it may do without records."""
    with pytest.raises(StoreFailed, match="store a decision"):
        writer.add_decision(decide(100.0, sequence=2**63), STATE)
    writer.add_decision(decide(100.0), STATE)


@pytest.mark.parametrize(
    "damaged",
    [
        *("{}", '"x"', "{", "5", "[]", "[" * 100_000, '{"outlooks": null}', '{"outlooks": ["x"]}'),
        '{"outlooks": [{"arrivals": [5]}]}',
        '{"outlooks": [{"arrivals": [{"session": "sat@2026-11-28", "air_c": "warm"}]}]}',
    ],
)
def test_a_damaged_promise_is_none(writer: Writer, reader: Reader, damaged: str) -> None:
    """It would have put new promises right; planning goes on without."""
    writer._connection.execute("INSERT INTO plan VALUES ('a', 'boiler', 0, ?, NULL)", (damaged,))
    assert reader.promised("boiler", "sat@2026-11-28", 1000.0) is None


@pytest.mark.parametrize("damaged", ["x", b"x", float("inf")])
def test_a_damaged_reading_is_none(
    writer: Writer,
    reader: Reader,
    reading: Callable[..., Reading],
    damaged: str | bytes | float,
) -> None:
    """One among thousands must not end planning while it lies within the history looked at."""
    writer.add_readings([reading(1.0), reading(2.0, 4.5)])
    writer._connection.execute("UPDATE reading SET value = ? WHERE measured_ms = 1000", (damaged,))
    assert reader.samples("bay-air", 0.0, 10.0) == [(2.0, 4.5)]


@pytest.mark.parametrize(
    "damaged",
    [
        *("{", "5", "[]", "{}", "[" * 100_000, '{"at_s": 5}', '{"at_s": [1.0], "outdoor_c": 5}'),
        *('{"at_s": [1.0], "outdoor_c": ["cold"]}', '{"at_s": [null]}'),
    ],
)
def test_a_damaged_forecast_is_none(writer: Writer, reader: Reader, damaged: str) -> None:
    """It must not end planning while it is kept."""
    sound = Forecast(2.0, (ForecastPoint(3600.0, outdoor_c=4.0),))
    writer._connection.execute(
        "INSERT INTO forecast (received_ms, points) VALUES (1000, ?)", (damaged,)
    )
    writer.add_forecast(sound)
    assert reader.forecasts(0.0, 10.0) == [sound]


@pytest.mark.parametrize("damaged", ["{", "5", "[5]", "[" * 100_000])
def test_a_damaged_decision_keeps_no_others_from_being_folded(
    writer: Writer, decide: MakeDecision, damaged: str
) -> None:
    """Old rows become fewer, and the damaged one stays for itself."""
    for minute in range(30):
        writer.add_decision(decide(60.0 * minute, sequence=minute + 1), STATE)
    writer._connection.execute("UPDATE decision SET verdicts = ? WHERE sequence = 10", (damaged,))
    while writer.condense(100 * 86_400.0):
        pass
    left = writer._connection.execute("SELECT sequence FROM decision ORDER BY id").fetchall()
    assert (10,) in left
    assert len(left) < 10

"""What the relay said after a change of command: the first report that is younger than it."""

from __future__ import annotations

from typing import Any

import pytest

from controller.read_back import PATIENCE_S, ReadBackDesk
from controller.records.decision import Command, Readback
from controller.records.readings import Condition, Sensed
from controller.records.site import Role
from tests.controller.builders import MILD, START, START_S, later, sensed

ON = Command("boiler", True, 41, START_S, 120.0)
OFF = Command("boiler", False, 42, START_S, 0.0)


def state(on: bool, age_s: float, **changes: Any) -> Sensed:
    return sensed(Role.RELAY_STATE, float(on), subject="boiler", age_s=age_s, **changes)


def desk_expecting(command: Command) -> ReadBackDesk:
    desk = ReadBackDesk()
    desk.expect(command, START)
    return desk


def test_nothing_is_expected_at_first() -> None:
    """Without a command there is nothing to read back."""
    assert ReadBackDesk().take((state(True, 1.0),), START) is None


@pytest.mark.parametrize("command", [ON, OFF])
def test_a_younger_report_that_agrees_is_taken_once(command: Command) -> None:
    """The read-back carries the command's sequence and the relay's own word, once."""
    desk = desk_expecting(command)
    report = (*MILD, state(command.heat, 1.0))
    expected = Readback(command.sequence, START_S + 10.0, command.heat, True)
    assert desk.take(report, later(10.0)) == expected
    assert desk.take(report, later(20.0)) is None


@pytest.mark.parametrize("age_s", [10.0, 11.0, 500.0])
def test_a_report_older_than_the_command_says_nothing(age_s: float) -> None:
    """What the relay said before the command, or at it, is not its answer."""
    assert desk_expecting(ON).take((state(True, age_s),), later(10.0)) is None


def test_a_relay_is_given_time_to_follow() -> None:
    """A report that still disagrees within the minute is waited out; the next one may agree."""
    desk = desk_expecting(ON)
    assert desk.take((state(False, 1.0),), later(10.0)) is None
    assert desk.take((state(False, 1.0),), later(50.0)) is None
    found = desk.take((state(True, 1.0),), later(55.0))
    assert found is not None
    assert found.agrees is True


def test_a_relay_that_does_not_follow_is_on_record() -> None:
    """After a minute a report that disagrees is written down as such."""
    found = desk_expecting(ON).take((state(False, 1.0),), later(PATIENCE_S))
    assert found == Readback(41, START_S + PATIENCE_S, False, False)


@pytest.mark.parametrize(
    "reports",
    [
        MILD,
        (state(True, 1.0, condition=Condition.STALE),),
        (state(True, 1.0, condition=Condition.UNKNOWN_AGE),),
        (state(True, 500.0),),
    ],
)
def test_silence_is_on_record(reports: tuple[Sensed, ...]) -> None:
    """No trusted younger report within the minute: the record says that nothing was heard."""
    desk = desk_expecting(ON)
    assert desk.take(reports, later(59.0)) is None
    assert desk.take(reports, later(PATIENCE_S)) == Readback(41, START_S + 60.0, None, None)
    assert desk.take(reports, later(70.0)) is None


def test_a_newer_command_replaces_the_one_waited_for() -> None:
    """Only the latest change of command is read back."""
    desk = desk_expecting(ON)
    desk.expect(OFF, later(10.0))
    found = desk.take((state(False, 1.0),), later(20.0))
    assert found == Readback(42, START_S + 20.0, False, True)

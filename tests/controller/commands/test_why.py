"""``slabtide why``."""

from __future__ import annotations

from argparse import ArgumentParser
from collections.abc import Callable
from dataclasses import replace

import pytest

from controller.commands import why
from controller.commands._shared import BadArgumentError
from controller.configuration import Configuration
from controller.local_time import LocalTime
from controller.records.decision import Decision, HeaterState
from controller.records.safety import Verdict
from controller.store import Reader, Writer

LOCAL = LocalTime("Europe/Oslo")
NOW_S = LOCAL.parse("2026-11-27 21:30", now_s=0.0)


def ask(configuration: Configuration, reader: Reader, when: str, *, now_s: float = NOW_S) -> int:
    at_s = LOCAL.parse(when, now_s=now_s)
    return why.answer(configuration, reader, why.Question(at_s, ("boiler",)))


@pytest.mark.usefixtures("kept")
def test_tells_everything_about_the_latest_decision(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """Command, reason, readings, plan, interlocks, lease and read-back are all there."""
    assert ask(configuration, reader, "now") == 0
    told = capsys.readouterr().out
    for part in (
        "boiler: heat ON",
        "Decided Fri 2026-11-27 21:30:00 (Europe/Oslo), by slabtide 0.1.0.",
        'Preheat for sat@2026-11-28 (Sat 09:00, "keel varnish", boat-bay, 20.0 °C)',
        "The timetable has heat until Sat 28 Nov 07:30.",
        "It follows timetable plan-0412",
        "air of boat-bay (bay-air): 6.2 °C, 42 s old, fresh.",
        "outdoor (yard): -3.0 °C, 15 min old, stale",
        "slab over temperature [allows]",
        "ON, sequence 812",
        "The relay reported ON at 2026-11-27 21:30:02, as it was told.",
    ):
        assert part in told
    assert "No decision is on record" not in told


@pytest.mark.usefixtures("kept")
def test_tells_what_was_in_force_at_a_moment(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """An earlier moment finds the decision of then."""
    assert ask(configuration, reader, "21:10") == 0
    told = capsys.readouterr().out
    assert "boiler: heat OFF" in told
    assert "Decided Fri 2026-11-27 21:10:00" in told
    assert "needs no heat yet" in told


@pytest.mark.usefixtures("kept")
def test_says_when_the_service_was_not_running(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """A moment long after the last row is not explained by that row alone."""
    assert ask(configuration, reader, "now", now_s=NOW_S + 7200.0) == 0
    told = capsys.readouterr().out
    assert "No decision is on record for the 2 h from then to the moment asked for" in told


def test_says_when_there_is_nothing(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """An empty store is bad news: exit code 1 and a sentence."""
    assert ask(configuration, reader, "now") == 1
    assert "No decision is on record at or before 2026-11-27 21:30:00." in capsys.readouterr().out


def test_booked_session_is_named_without_a_plan(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    decide: Callable[..., Decision],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Where no plan holds the session, the bookings name it."""
    writer.add_decision(decide(), HeaterState())
    assert ask(configuration, reader, "now") == 0
    told = capsys.readouterr().out
    assert 'sat@2026-11-28 (Sat 09:00, "keel varnish"' in told
    assert "plan-0412, which is not in the store" in told


def test_a_trip_is_told_first(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    decide: Callable[..., Decision],
    trip: Verdict,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The verdict that settled the command comes before what planning wanted."""
    decision = decide()
    off = replace(decision.command, heat=False, lease_s=0.0)
    decision = replace(decision, deciding=trip, verdicts=(trip,), command=off)
    writer.add_decision(decision, HeaterState())
    assert ask(configuration, reader, "now") == 0
    told = capsys.readouterr().out
    assert "boiler: heat OFF" in told
    assert told.index("above its hard limit") < told.index("Planning had asked for heat.")


def test_says_what_an_old_row_stands_for(
    configuration: Configuration,
    writer: Writer,
    reader: Reader,
    decide: Callable[..., Decision],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Folded decisions are told as such, and the moments between are no silence."""
    for minute in range(30):
        writer.add_decision(decide(-1.0 + minute / 60.0), HeaterState())
    while writer.condense(NOW_S + 70 * 86_400.0):
        pass
    assert ask(configuration, reader, "20:40") == 0
    told = capsys.readouterr().out
    assert "The same was decided 14 times more, until 2026-11-27 20:44:00" in told
    assert "No decision is on record" not in told


@pytest.mark.usefixtures("kept")
def test_a_session_stands_for_its_start(configuration: Configuration) -> None:
    """``slabtide why sat@2026-11-28`` asks for the moment at which it began, once it has."""
    parser = ArgumentParser()
    why.configure(parser)
    asked = parser.parse_args(["sat@2026-11-28"])
    start_s = LOCAL.parse("2026-11-28 09:00", now_s=0.0)
    assert why.understand(configuration, asked, now_s=start_s + 60.0).at_s == start_s
    with pytest.raises(BadArgumentError, match="still to come"):
        why.understand(configuration, asked, now_s=NOW_S)

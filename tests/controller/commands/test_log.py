"""``slabtide log``."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from collections.abc import Callable
from dataclasses import replace

import pytest

from controller.codec import from_plain
from controller.commands import log
from controller.commands._shared import BadArgumentError
from controller.configuration import Configuration
from controller.local_time import LocalTime
from controller.records.decision import Decision, HeaterState, Notice, NoticeKind
from controller.records.readings import Rejection, RejectionCount
from controller.records.safety import Verdict
from controller.store import Reader, Writer

NOW_S = LocalTime("Europe/Oslo").parse("2026-11-27 21:30", now_s=0.0)
LAST_DAY = log.Question(NOW_S - 86_400.0, NOW_S + 1.0, None, None, every=False, as_json=False)


@pytest.mark.usefixtures("kept")
def test_equal_decisions_are_folded(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """Thirty rows of idling are one line with a count; the preheat is another."""
    assert log.answer(configuration, reader, LAST_DAY) == 0
    idle, preheat = capsys.readouterr().out.splitlines()
    assert idle.startswith(
        "2026-11-27 21:00:00  boiler  OFF  Nothing to do, sat@2026-11-28 (Sat 09:00)"
    )
    assert idle.endswith("[30 times, until Fri 27 Nov 21:29]")
    assert preheat == (
        "2026-11-27 21:30:00  boiler  ON   Preheat for sat@2026-11-28 (Sat 09:00): slab 9.8 °C, "
        "air 6.2 °C, 20.1 °C expected."
    )


@pytest.mark.usefixtures("kept")
def test_all_shows_every_row(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """--all folds nothing."""
    log.answer(configuration, reader, replace(LAST_DAY, every=True))
    assert len(capsys.readouterr().out.splitlines()) == 31


@pytest.mark.usefixtures("kept")
def test_json_lines_rebuild_the_decisions(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each line of --json has the time in UTC and the whole decision."""
    log.answer(configuration, reader, replace(LAST_DAY, as_json=True))
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert lines[-1]["utc"] == "2026-11-27T20:30:00.000Z"
    rebuilt = [from_plain(Decision, line["decision"]) for line in lines]
    assert rebuilt == reader.decisions(LAST_DAY.since_s, LAST_DAY.until_s)


def test_json_is_json_whatever_the_numbers(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    decide: Callable[..., Decision],
    trip: Verdict,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A value without end becomes null: JSON knows no infinity."""
    endless = replace(trip, values={"lead_s": float("inf")})
    writer.add_decision(decide(verdicts=(endless,)), HeaterState())
    log.answer(configuration, reader, replace(LAST_DAY, as_json=True))

    def refuse(name: str) -> float:
        raise AssertionError(name)

    line = json.loads(capsys.readouterr().out, parse_constant=refuse)
    assert line["decision"]["verdicts"][0]["values"] == {"lead_s": None}


def test_filters_by_zone_and_heater(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    decide: Callable[..., Decision],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Only the wanted zone's or heater's decisions are listed."""
    writer.add_decision(decide(-2.0), HeaterState())
    writer.add_decision(decide(-1.0, heater="kiln", zones=("loft",)), HeaterState())
    for question in (replace(LAST_DAY, zone="loft"), replace(LAST_DAY, heater="kiln")):
        log.answer(configuration, reader, question)
        (line,) = capsys.readouterr().out.splitlines()
        assert line.startswith("2026-11-27 20:30:00  kiln  ON")


def test_two_heaters_fold_apart(decide: Callable[..., Decision]) -> None:
    """Rows of two heaters in turn are two lines, not one each."""
    rows = [decide(n / 60, heater=("boiler", "kiln")[n % 2]) for n in range(10)]
    assert [(f.first.heater, f.count) for f in log.folded(rows)] == [("boiler", 5), ("kiln", 5)]


def test_an_alarm_ends_a_fold(decide: Callable[..., Decision]) -> None:
    """A row that brings an alarm is never folded into one without."""
    alarm = Notice(NoticeKind.PLANNER_FAILED, "The planner failed.", alarm=True)
    rows = [decide(0.0), decide(0.1, notices=(alarm,)), decide(0.2)]
    assert [fold.count for fold in log.folded(rows)] == [1, 1, 1]


def test_nothing_in_the_span_is_said(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """An empty answer names the span that was looked at."""
    assert log.answer(configuration, reader, LAST_DAY) == 0
    assert capsys.readouterr().out == (
        "No decision is on record from 2026-11-26 21:30:00 to 2026-11-27 21:30:01.\n"
    )


@pytest.mark.usefixtures("kept")
def test_what_gave_no_reading_is_counted_at_the_end(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Rejected and lost messages of the days in view, by sensor and reason; none in --json."""
    lost = RejectionCount("bay-air", Rejection.LOST_UNDER_LOAD, 4711, NOW_S - 60.0, "")
    refused = RejectionCount("bay-air", Rejection.NOT_A_NUMBER, 3, NOW_S - 120.0, "warm\x1b")
    writer.count_rejections([lost, refused])
    log.answer(configuration, reader, LAST_DAY)
    *_, heading, first, second = capsys.readouterr().out.splitlines()
    assert heading.startswith("Messages that gave no reading")
    assert first == "  bay-air: 4711 lost under load, until Fri 27 Nov 21:29"
    assert second == ("  bay-air: 3 not a number, until Fri 27 Nov 21:28, the last one 'warm\\x1b'")
    log.answer(configuration, reader, replace(LAST_DAY, as_json=True))
    assert "lost" not in capsys.readouterr().out


def test_an_old_row_counts_for_all_that_it_stands_for(
    configuration: Configuration,
    writer: Writer,
    reader: Reader,
    decide: Callable[..., Decision],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One line with the count and the end that it had when every row was there."""
    for minute in range(30):
        writer.add_decision(decide(-1.0 + minute / 60.0), HeaterState())
    log.answer(configuration, reader, LAST_DAY)
    before = capsys.readouterr().out
    while writer.condense(NOW_S + 70 * 86_400.0):
        pass
    log.answer(configuration, reader, LAST_DAY)
    assert capsys.readouterr().out == before
    assert "[30 times, until" in before
    log.answer(configuration, reader, replace(LAST_DAY, every=True))
    assert "[15 times, until" in capsys.readouterr().out


def _understood(configuration: Configuration, *arguments: str) -> log.Question:
    parser = ArgumentParser()
    log.configure(parser)
    return log.understand(configuration, parser.parse_args(list(arguments)), now_s=NOW_S)


@pytest.mark.usefixtures("kept")
def test_a_sessions_decisions_are_found_by_its_name(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    decide: Callable[..., Decision],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Named as log, plan, why and bookings show it; what is about another one is left out."""
    other = decide(-1.0)
    other = replace(other, wish=replace(other.wish, session="kiln@2026-12-01"))
    writer.add_decision(other, HeaterState())
    question = _understood(configuration, "--session", "kiln@2026-12-01")
    log.answer(configuration, reader, question)
    (line,) = capsys.readouterr().out.splitlines()
    assert line.startswith("2026-11-27 20:30:00  boiler  ON   Preheat for kiln@2026-12-01")
    gone = _understood(configuration, "--session", "kiln@2026-11-24")
    log.answer(configuration, reader, gone)
    assert "No decision for kiln@2026-11-24 is on record from" in capsys.readouterr().out


def test_a_session_bounds_the_span_that_is_looked_at(configuration: Configuration) -> None:
    """A week before its day to its end, unless other times are asked for."""
    question = _understood(configuration, "--session", "sat@2026-11-28")
    assert (question.since_s, question.until_s) == (_at("2026-11-21"), NOW_S)
    question = _understood(configuration, "--session", "sat@2026-11-14")
    assert (question.since_s, question.until_s) == (_at("2026-11-07"), _at("2026-11-17"))
    question = _understood(configuration, "--session", "sat@2026-11-28", "--since", "-1h")
    assert question.since_s == NOW_S - 3600.0
    with pytest.raises(BadArgumentError, match="BOOKING@YYYY-MM-DD"):
        _understood(configuration, "--session", "saturday")


def test_a_sessions_name_stands_for_its_start(configuration: Configuration) -> None:
    """Wherever a moment is asked for."""
    question = _understood(configuration, "--since", "-3d", "--until", "sat@2026-11-28")
    assert question.until_s == _at("2026-11-28 09:00")
    with pytest.raises(BadArgumentError, match="right: sat@2026-11-28"):
        _understood(configuration, "--until", "sun@2026-11-28")


def _at(text: str) -> float:
    return LocalTime("Europe/Oslo").parse(text, now_s=0.0)

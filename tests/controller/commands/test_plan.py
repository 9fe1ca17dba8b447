"""``slabtide plan`` and its strip."""

from __future__ import annotations

import io
import sys
from dataclasses import replace

import pytest

from controller.commands import _strip, plan
from controller.configuration import Configuration
from controller.local_time import LocalTime
from controller.records.plan import Block, BlockReason, Plan, Point, ZoneOutlook
from controller.records.sessions import Session
from controller.store import Reader, Writer

LOCAL = LocalTime("Europe/Oslo")
NOW_S = LOCAL.parse("2026-11-27 21:30", now_s=0.0)
ASKED = plan.Question(NOW_S, 72)


def test_says_when_there_is_none(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """No timetable yet is bad news: exit code 1."""
    assert plan.answer(configuration, reader, ASKED) == 1
    assert "There is no timetable for boiler yet" in capsys.readouterr().out


@pytest.mark.usefixtures("kept")
def test_tells_age_sessions_and_blocks(
    configuration: Configuration, reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its age, each arrival with interval and lead time, each block with its reason."""
    assert plan.answer(configuration, reader, ASKED) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[0] == ("boiler: timetable made Fri 27 Nov 21:00 (30 min ago), to Sun 29 Nov 21:00.")
    assert told[3] == (
        '  sat@2026-11-28 (Sat 09:00, "keel varnish", boat-bay, 20.0 °C): 20.1 °C '
        "expected at its start (80 % between 19.4 and 20.8 °C); preheat begins 11 h 30 min "
        "before (at full heat it takes between 10 h 15 min and 12 h 45 min, 80 %)."
    )
    assert told[6:11] == [
        "  Fri 27 Nov 21:30 to Sat 28 Nov 07:30  ON   preheat for sat@2026-11-28 (Sat 09:00)",
        "  Sat 28 Nov 07:30 to Sat 28 Nov 09:00  OFF  coast-up before sat@2026-11-28 (Sat 09:00)",
        "  Sat 28 Nov 09:00 to Sat 28 Nov 09:10  ON   hold in sat@2026-11-28 (Sat 09:00)",
        "  Sat 28 Nov 09:10 to Sat 28 Nov 13:00  OFF  run-out of sat@2026-11-28 (Sat 09:00)",
        "  Sat 28 Nov 13:00 to Sun 29 Nov 21:00  OFF  idle",
    ]


def test_bad_news_comes_first(timetable: Plan) -> None:
    """A target out of reach stands before the sessions and the timetable."""
    outlook = timetable.outlooks[0]
    short = replace(outlook.arrivals[0], reachable=False, air_c=17.0, reached_s=NOW_S + 54_000.0)
    late = replace(timetable, outlooks=(replace(outlook, arrivals=(short,)),))
    told = list(plan.describe(late, LOCAL, ASKED))
    assert told[1].startswith("Not in time: sat@2026-11-28 (Sat 09:00")
    assert "will find 17.0 °C" in told[1]
    assert "the target would be reached at Sat 28 Nov 12:30." in told[1]


def test_old_timetable_is_called_old(timetable: Plan) -> None:
    """One that the service no longer follows says so."""
    told = list(plan.describe(timetable, LOCAL, plan.Question(NOW_S + 6 * 3600.0, 72)))
    assert "(6 h 30 min ago)" in told[0]
    assert told[1].startswith("It is older than 6 h and no longer followed")


def test_long_list_is_cut_and_says_so(timetable: Plan) -> None:
    """--hours bounds the blocks; what is left out is counted."""
    told = list(plan.describe(timetable, LOCAL, plan.Question(NOW_S, 11)))
    assert "  ... and 3 more after Sat 28 Nov 08:30 (see --hours)" in told


def test_past_sessions_are_left_out(timetable: Plan) -> None:
    """A session that has begun has no arrival any more."""
    told = list(plan.describe(timetable, LOCAL, plan.Question(NOW_S + 12 * 3600.0, 72)))
    assert "No session within this timetable." in told


def test_strip_of_three_days(timetable: Plan) -> None:
    """Half hours of heat, booking and temperature stand below their hours."""
    drawn = _strip.draw(timetable, LOCAL, now_s=NOW_S)
    assert len(drawn) == 3 * 4 + 2
    hours, heat, booked, air = drawn[5:9]
    assert hours == "Sat 28 Nov       00    03    06    09    12    15    18    21"
    begin = hours.index("00")
    assert heat[begin : begin + 19] == "█" * 15 + "···" + "▄"
    assert booked[begin:] == " " * 18 + "=" * 8
    # the point of 00:00 is the twelfth quarter of an hour: 6.2 + 12 x 0.276
    assert air[begin:].startswith("9.5 ")


def test_strip_leaves_blank_what_the_plan_does_not_hold(timetable: Plan) -> None:
    """Before the plan was made and after its end there is no heat to speak of, and no zero."""
    drawn = _strip.draw(timetable, LOCAL, now_s=NOW_S)
    begin = drawn[0].index("00")
    assert drawn[1][begin:] == " " * 42 + "·" + "█" * 5
    assert drawn[11][begin:] == "·" * 42


@pytest.mark.parametrize(("day", "columns"), [("2026-03-29", 46), ("2026-10-25", 50)])
def test_strip_where_clocks_change(day: str, columns: int) -> None:
    """The day of 23 hours has 46 columns, the one of 25 hours 50, and noon stands below 12."""
    midnight_s, noon_s = (LOCAL.parse(f"{day} {t}", now_s=0.0) for t in ("00:00", "12:00"))
    session = Session("s", "bay", noon_s, noon_s + 1800.0, 20.0)
    plan_of_day = Plan(
        "p",
        "boiler",
        midnight_s,
        midnight_s + 172_800.0,
        (Block(midnight_s, midnight_s + 172_800.0, False, BlockReason.IDLE),),
        (ZoneOutlook("bay", "x", (Point(noon_s, 7.0, 6.0, 8.0),), ()),),
        (session,),
    )
    hours, heat, booked, air = _strip.draw(plan_of_day, LOCAL, now_s=noon_s)[:4]
    begin = heat.index("·")
    assert len(heat) - begin == columns
    assert hours.index("12") == booked.index("=") == air.index("7.0")


def test_terminal_without_these_signs_gets_others(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    timetable: Plan,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Where the output knows ASCII only, nothing fails and the strip is still to be read."""
    writer.add_plan(timetable)
    narrow = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", narrow)
    assert plan.answer(configuration, reader, ASKED) == 0
    narrow.flush()
    told = narrow.buffer.getvalue().decode("ascii")
    assert "###############...+" in told
    assert "?" not in told

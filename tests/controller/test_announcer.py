"""What goes into the log: each notice once, lasting alarms every minute, ended ones anew."""

from dataclasses import replace

import pytest

from controller.announcer import Announcer
from controller.cycle import Carry, decide
from controller.records.decision import Decision, Notice, NoticeKind
from tests.controller.builders import START, later, make_situation

ON = Notice(NoticeKind.HEAT_AFTER_OFF, "It heats.", alarm=True)
PLAN = Notice(NoticeKind.PLANNER_FAILED, "No plan.", alarm=True)


def decisions(*notices: tuple[Notice, ...]) -> list[Decision]:
    """One decision after another, ten seconds and a little apart, with these notices."""
    base, _ = decide(make_situation(), Carry.at_start(None, START))
    return [replace(base, at=later(10.05 * n), notices=said) for n, said in enumerate(notices)]


def said(caplog: pytest.LogCaptureFixture, text: str) -> int:
    return [record.getMessage() for record in caplog.records].count(text)


def test_a_lasting_alarm_comes_every_minute(caplog: pytest.LogCaptureFixture) -> None:
    """At once, and once a minute for ten minutes; an ordinary alarm once in all."""
    announcer, last = Announcer(), None
    for decision in decisions(*[(ON, PLAN)] * 60):
        announcer.say(decision, last)
        last = decision
    assert said(caplog, "It heats.") == 10
    assert said(caplog, "No plan.") == 1


def test_an_alarm_that_comes_back_is_new(caplog: pytest.LogCaptureFixture) -> None:
    """Gone for a tick and back again is said again at once."""
    announcer, last = Announcer(), None
    for decision in decisions((ON,), (ON,), (), (ON,)):
        announcer.say(decision, last)
        last = decision
    assert said(caplog, "It heats.") == 2


def test_an_error_in_between_does_not_silence_it(caplog: pytest.LogCaptureFixture) -> None:
    """The decision of an error has no other notices: the alarm is given again after it."""
    announcer = Announcer()
    first, _, third = decisions((ON,), (), (ON,))
    announcer.say(first, None)
    announcer.say(third, decisions(())[0])
    assert said(caplog, "It heats.") == 2

"""The record comes first: when a row is due, and what happens when it cannot be written."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from typing import Any

import pytest

from controller.codec import from_plain
from controller.cycle import Carry, decide
from controller.recorder import ROW_S, Recorder
from controller.records.decision import Decision, HeaterState, Notice, NoticeKind
from controller.records.instant import Instant
from controller.records.safety import Clears, Severity, Verdict
from controller.store.failures import StoreFailed
from tests.controller.builders import START, air, later, make_plan, make_situation, slab

HEATING = Carry(HeaterState(heating=True), START, changed_mono_s=START.mono_s - 700.0)


class Shelf:
    """A store of decisions in memory, which can be made to fail."""

    def __init__(self) -> None:
        self.rows: list[tuple[Decision, HeaterState]] = []
        self.fails = False

    def add_decision(self, decision: Decision, state: HeaterState) -> None:
        if self.fails:
            raise StoreFailed("cannot store a decision in slabtide.db: disk full")
        self.rows.append((decision, state))


class Bench:
    """A recorder with its store and its standard error."""

    def __init__(self) -> None:
        self.shelf, self.distress = Shelf(), io.StringIO()
        self.recorder = Recorder(self.shelf, self.distress)

    def record(
        self, decision: Decision, carry: Carry | None = None, *, before: Carry = HEATING
    ) -> tuple[Decision, Carry]:
        heating = HeaterState(heating=decision.command.heat)
        return self.recorder.record(decision, carry or Carry(heating), before=before)

    def cries(self) -> list[Decision]:
        lines = self.distress.getvalue().splitlines()
        return [from_plain(Decision, json.loads(line)["decision"]) for line in lines]


@pytest.fixture
def bench() -> Bench:
    return Bench()


def make_decision(
    *readings: Any, at: Instant = START, heat: bool = False, deciding: Verdict | None = None
) -> Decision:
    """A real decision, brought to the command that a test is about."""
    decision, _ = decide(make_situation(*readings, now=at), Carry.at_start(None, START))
    command = replace(decision.command, heat=heat, lease_s=120.0 if heat else 0.0)
    return replace(decision, command=command, deciding=deciding)


# --- when a row is due --------------------------------------------------------------------------


def test_the_first_decision_is_due(bench: Bench) -> None:
    """A process begins its record with its first tick."""
    assert bench.recorder.is_due(make_decision())


@pytest.mark.parametrize(("after_s", "due"), [(10.0, False), (59.9, False), (60.0, True)])
def test_a_row_at_least_once_a_minute(bench: Bench, after_s: float, due: bool) -> None:
    """While nothing changes a row is due each minute, and none before."""
    bench.record(make_decision())
    assert bench.recorder.is_due(make_decision(at=later(after_s))) is due


def change_command(decision: Decision) -> Decision:
    return replace(decision, command=replace(decision.command, heat=True))


def change_reason(decision: Decision) -> Decision:
    return replace(decision, wish=replace(decision.wish, session="bench@2026-01-12"))


def change_plan(decision: Decision) -> Decision:
    return replace(decision, wish=replace(decision.wish, plan="another"))


def change_verdicts(decision: Decision) -> Decision:
    verdict = Verdict("stale_reading", Severity.OFF, "stale", Clears.WHEN_CLEAR, "bay-air")
    return replace(decision, verdicts=(*decision.verdicts[1:], verdict))


def change_notices(decision: Decision) -> Decision:
    return replace(decision, notices=(Notice(NoticeKind.ACKNOWLEDGED, "Acknowledged."),))


@pytest.mark.parametrize(
    "change", [change_command, change_reason, change_plan, change_verdicts, change_notices]
)
def test_a_row_when_anything_changes(bench: Bench, change: Any) -> None:
    """Command, reason, plan, booking, set of verdicts and notices each make a row due at once."""
    bench.record(make_decision())
    assert bench.recorder.is_due(change(make_decision(at=later(10.0))))


def test_no_row_for_numbers_alone(bench: Bench) -> None:
    """Readings, ages, sequence and the values in a verdict move all the time: no row for them."""
    bench.record(make_decision())
    moved = make_decision(slab(16.3), air(14.2), at=later(10.0))
    verdicts = tuple(replace(v, values={"age_s": 1.0}) for v in moved.verdicts)
    moved = replace(moved, verdicts=verdicts, command=replace(moved.command, sequence=99))
    assert not bench.recorder.is_due(moved)


def test_a_wall_clock_set_back_does_not_stop_the_rows(bench: Bench) -> None:
    """The minute is one of monotonic time."""
    bench.record(make_decision())
    back = Instant(START.utc_s - 86400.0, START.mono_s + ROW_S)
    assert bench.recorder.is_due(make_decision(at=back))


# --- writing ------------------------------------------------------------------------------------


def test_what_is_written_is_given_back(bench: Bench) -> None:
    """A decision that was stored is the one that is carried out, its state beside it."""
    decision, carry = make_decision(heat=True), Carry(HeaterState(heating=True, sequence=5))
    assert bench.record(decision, carry) == (decision, carry)
    assert bench.shelf.rows == [(decision, carry.state)]
    assert bench.distress.getvalue() == ""


def test_planned_heat_that_cannot_be_written_is_off(bench: Bench) -> None:
    """No record, no heat: the command and the carried state are OFF, with the reason named."""
    bench.shelf.fails = True
    decision, carry = bench.record(make_decision(heat=True))
    assert (decision.command.heat, decision.command.lease_s) == (False, 0.0)
    assert carry.state.heating is False
    assert decision.deciding is not None
    assert (decision.deciding.rule, decision.deciding.reason) == ("record", "not_written")
    assert bench.cries() == [decision]


@pytest.mark.parametrize(("heating", "since_s"), [(True, 0.0), (False, 700.0)])
def test_an_on_that_is_withheld_is_no_change_of_command(
    bench: Bench, heating: bool, since_s: float
) -> None:
    """Off since heat ended: a relay that is still on must not be excused at every attempt."""
    bench.shelf.fails = True
    before = replace(HEATING, state=HeaterState(heating=heating))
    _, carry = bench.record(make_decision(heat=True), before=before)
    assert START.mono_s - carry.changed_mono_s == since_s


def test_held_heat_that_cannot_be_written_is_off(bench: Bench) -> None:
    """A minimum on time does not keep heat that is not on record."""
    bench.shelf.fails = True
    hold = Verdict("short_cycle", Severity.HOLD, "too_soon_off", Clears.AFTER_TIME)
    assert bench.record(make_decision(heat=True, deciding=hold))[0].command.heat is False


def test_frost_protection_is_allowed_without_a_record(bench: Bench) -> None:
    """A full disk must not freeze the pipes: frost heat goes on, told on standard error."""
    bench.shelf.fails = True
    frost = Verdict("frost_protection", Severity.FROST, "cold", Clears.WHEN_CLEAR)
    decision, carry = bench.record(make_decision(heat=True, deciding=frost))
    assert decision.command.heat is True
    assert decision.deciding == frost
    assert carry.state.heating is True
    assert decision.verdicts[-1].rule == "record"
    assert bench.cries() == [decision]


@pytest.mark.parametrize("severity", [Severity.OFF, Severity.TRIP, Severity.LOCKOUT])
def test_an_off_keeps_its_own_reason(bench: Bench, severity: Severity) -> None:
    """What was OFF anyway says why, and that it could not be written."""
    bench.shelf.fails = True
    off = Verdict("stale_reading", severity, "stale", Clears.WHEN_CLEAR)
    decision, _ = bench.record(make_decision(deciding=off))
    assert decision.deciding == off
    assert decision.verdicts[-1].reason == "not_written"


def test_each_tick_is_told_while_the_store_fails(bench: Bench) -> None:
    """A failing store makes every tick due, so that its return is noticed within one."""
    bench.shelf.fails = True
    bench.record(make_decision())
    assert bench.recorder.is_due(make_decision(at=later(10.0)))
    bench.record(make_decision(at=later(10.0)))
    assert len(bench.cries()) == 2


def test_a_store_that_comes_back_is_written_to_again(bench: Bench) -> None:
    """After the first row that succeeds, heat is allowed and rows are a minute apart again."""
    bench.shelf.fails = True
    bench.record(make_decision(heat=True))
    bench.shelf.fails = False
    decision, _ = bench.record(make_decision(at=later(10.0), heat=True))
    assert decision.command.heat is True
    assert len(bench.shelf.rows) == 1
    assert not bench.recorder.is_due(make_decision(at=later(20.0), heat=True))


def test_real_heat_by_the_timetable_is_withheld_end_to_end(bench: Bench) -> None:
    """A decision that the cycle itself made is switched off as well."""
    carry = Carry.at_start(None, later(-600.0))
    memories = {"first_run": {"armed": 1.0}}
    carry = replace(carry, state=replace(carry.state, memories=memories), last_tick=later(-10.0))
    decision, after = decide(make_situation(plan=make_plan()), carry)
    assert decision.command.heat is True
    bench.shelf.fails = True
    decision, after = bench.recorder.record(decision, after, before=carry)
    assert decision.command.heat is False
    assert after.state.heating is False

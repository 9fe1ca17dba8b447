"""When times and sequences of a tick begin, and to which second a session counts."""

from __future__ import annotations

import pytest

from controller.cycle import Carry, decide
from controller.records.decision import HeaterState, Notice, NoticeKind
from controller.records.instant import Instant
from controller.records.site import Role
from tests.controller.builders import (
    HOUR_S,
    MILD,
    START,
    START_S,
    lost,
    make_plan,
    make_session,
    make_situation,
    outdoor,
    reasons,
    sensed,
)
from tests.controller.ticks import PLAN, Run


def test_no_sooner_than_a_millisecond_after_what_was_issued_last() -> None:
    """However soon a new process speaks; not a second later either."""
    carry = Carry.at_start(HeaterState(issued_s=START_S), START)
    decision, _ = decide(make_situation(now=START), carry)
    assert decision.command.issued_s == pytest.approx(carry.state.issued_s + 0.001, abs=1e-6)


def test_times_count_from_the_first_seconds_of_the_machine() -> None:
    """Its monotonic clock is at 5 s where the service starts with it."""
    run = Run(start=Instant(START_S, 5.0))
    before = run.tick().command.issued_s
    run.now = Instant(START_S - HOUR_S, 25.0)
    assert run.tick().command.issued_s == before + 20.0
    run = Run(start=Instant(START_S, 5.0))
    assert run.run(310.0, *MILD, plan=PLAN).command.heat is True


def test_an_on_lasts_from_when_it_was_sent() -> None:
    """The age of the OFF before it is none of its own: it is held for its minimum time."""
    run = Run()
    run.run(310.0, *MILD, plan=PLAN)
    off = make_plan(made_s=START_S, heat=False)
    decision = run.tick(*MILD, plan=off)
    assert decision.command.heat is True
    assert reasons(decision.verdicts)["short_cycle"] == "too_soon_off"


def test_an_interruption_of_no_heat_is_none() -> None:
    """The OFF of each new connection does not put off the heat that is due."""
    run = Run()
    for _ in range(30):
        run.tick(*MILD, plan=PLAN, interrupted=True)
    assert run.run(20.0, *MILD, plan=PLAN).command.heat is True


def test_time_without_a_process_is_counted_once() -> None:
    """An hour that two clocks vouch for refills the frost duty, at the first tick alone."""
    spent = {"minute_s": 0.0, "spent_01": 900.0, "unseen_s": 600.0}
    lived = Instant(START_S - 3660.0, START.mono_s - 3660.0)
    run = Run(HeaterState(memories={"frost_protection": spent}, ticked=lived))
    blind = (lost(Role.SLAB), lost(Role.AIR), outdoor(-8.0))
    assert reasons(run.tick(*blind).verdicts)["frost_protection"] == "blind"
    assert run.carry.gap_s is None


@pytest.mark.parametrize("kind", NoticeKind)
def test_only_what_nobody_thought_of_is_a_fault_of_the_service(kind: NoticeKind) -> None:
    """Any other notice leaves the heat alone."""
    decision = Run().tick(*MILD, notices=(Notice(kind, ""),))
    told = reasons(decision.verdicts)["service"]
    assert (told == "unexpected_error") is (kind is NoticeKind.UNEXPECTED_ERROR)


@pytest.mark.parametrize(
    ("from_start_s", "limit_c"),
    [(-0.1, 35.0), (0.0, 29.0), (7199.9, 29.0), (7200.0, 35.0), (9000.0, 35.0)],
)
def test_a_session_begins_with_its_start_and_is_over_at_its_end(
    from_start_s: float, limit_c: float
) -> None:
    """People stand on the floor from then to then, and it must be no warmer than they bear."""
    session = make_session(start_s=START_S - from_start_s, hours=2.0)
    surface = sensed(Role.FLOOR_SURFACE, 36.0)
    verdicts = Run().tick(*MILD, surface, sessions=(session,)).verdicts
    (found,) = [v for v in verdicts if v.rule == "floor_surface"]
    assert found.values is not None
    assert found.values["limit_c"] == limit_c


@pytest.mark.parametrize("ahead_s", [0.0, 3600.0])
def test_a_clock_that_was_set_back_is_leapt_over_too(ahead_s: float) -> None:
    """What may have been sent unstored is some seconds and ticks past the last row, no more."""
    sequence, issued_s = int(START_S) + 1012, START_S + ahead_s
    command = Run(HeaterState(sequence=sequence, issued_s=issued_s)).tick().command
    assert sequence + 6 < command.sequence < sequence + 60
    assert issued_s + 60.0 < command.issued_s < issued_s + 71.0


@pytest.mark.parametrize("set_back_s", [0.0, 20.0, 29.9, 45.0, HOUR_S])
def test_nor_does_a_clock_set_back_by_seconds_make_an_older_order(set_back_s: float) -> None:
    """The process before spoke for 30 s past its last row, by a clock that is set back since."""
    old = HeaterState(sequence=1000, issued_s=START_S, ticked=START)
    now = Instant(START_S + 30.0 - set_back_s, START.mono_s + 30.0)
    command = Run(old, start=now).tick().command
    assert command.issued_s == pytest.approx(START_S + 30.0, abs=0.01)


def test_a_machine_that_began_anew_has_no_time_since_the_last_row() -> None:
    """Its monotonic clock says nothing then, and the longest stretch is leapt over."""
    old = HeaterState(sequence=1000, issued_s=START_S, ticked=START)
    now = Instant(START_S + 10.0, START.mono_s - 0.5)
    command = Run(old, start=now).tick().command
    assert START_S + 60.0 < command.issued_s < START_S + 71.0


def test_a_crash_loop_does_not_run_ahead_of_time() -> None:
    """However many processes of five seconds there were, the next speaks by the wall clock."""
    state = HeaterState(sequence=1000, issued_s=START_S, ticked=START)
    for number in range(1, 101):
        now = Instant(START_S + 5.0 * number, START.mono_s + 5.0 * number)
        run = Run(state, start=now)
        # each begins a millisecond past the one before
        assert run.tick().command.issued_s == pytest.approx(now.utc_s, abs=0.2)
        state = run.carry.state

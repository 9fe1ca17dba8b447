"""The planning desk: when it asks for a plan, what it makes of it, and what it tells."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from controller.planner_process import PlannerFailure
from controller.planning_desk import REPLAN_S, RETRY_S
from controller.records.decision import NoticeKind
from controller.records.errands import PlanErrand
from controller.records.instant import Instant
from controller.records.limits import Limits
from controller.records.plan import Arrival, Block, BlockReason, Plan, Point
from tests.controller.builders import (
    HOUR_S,
    START,
    START_S,
    later,
    make_outlook,
    make_parameters,
    make_session,
    two_heater_site,
)
from tests.controller.desk_bench import Bench

REACHED = Arrival("s", 18.0, 18.1, 17.5, 18.7, reachable=True)


@pytest.fixture
def bench() -> Bench:
    """A desk that has parameters already, so that its first errand is a plan."""
    return Bench(make_parameters())


# --- when a plan is asked for -------------------------------------------------------------------


def test_a_plan_is_asked_for_at_once(bench: Bench) -> None:
    """The first tick asks, with bookings, limits, parameters and the moment."""
    bench.work()
    assert bench.child.asked == [
        PlanErrand(
            site=bench.site,
            limits=Limits(),
            heater="boiler",
            sessions=bench.sessions,
            parameter_sets=(make_parameters(),),
            heating=False,
            now_s=START_S,
        )
    ]


def test_a_plan_every_quarter_of_an_hour(bench: Bench) -> None:
    """After an answer the next errand is due fifteen minutes after the last was given."""
    bench.work()
    plan = bench.answer_plan()
    assert bench.desk.plans == {"boiler": plan}
    bench.work(REPLAN_S - 20.0)
    assert len(bench.child.asked) == 1
    bench.work(10.0)
    assert len(bench.child.asked) == 2


def test_the_quarter_goes_by_monotonic_time(bench: Bench) -> None:
    """A wall clock set back does not put off the next plan."""
    bench.work()
    bench.answer_plan()
    bench.now = Instant(START_S - 86400.0, START.mono_s + REPLAN_S)
    bench.work()
    assert len(bench.child.asked) == 2


def test_an_event_asks_at_once(bench: Bench) -> None:
    """A change that may matter does not wait for the quarter."""
    bench.work()
    bench.answer_plan()
    bench.desk.want_plans()
    bench.work(10.0)
    assert len(bench.child.asked) == 2


def test_changed_limits_are_planned_by(bench: Bench) -> None:
    """New limits ask for a new plan, and the errand carries them."""
    bench.work()
    bench.answer_plan()
    limits = Limits(slab_max_c=30.0)
    bench.desk.limits_changed(limits)
    bench.work(10.0)
    errand = bench.child.asked[-1]
    assert isinstance(errand, PlanErrand)
    assert errand.limits == limits


def test_an_event_during_an_errand_asks_again_after_it(bench: Bench) -> None:
    """A plan that was begun before the event is used, and made anew."""
    bench.work()
    bench.desk.want_plans()
    bench.work(10.0)
    assert len(bench.child.asked) == 1
    bench.answer_plan()
    assert len(bench.child.asked) == 2


def test_nothing_is_asked_before_the_air_is_known(bench: Bench) -> None:
    """Without room air there is nothing to plan from; with it, the plan is due at once."""
    bench.seen = False
    bench.work()
    bench.work(3600.0)
    assert bench.child.asked == []
    bench.seen = True
    bench.work(10.0)
    assert len(bench.child.asked) == 1


def test_the_history_is_wanted_just_before_an_errand(bench: Bench) -> None:
    """The desk says when it is about to ask, and not while it waits or has nothing due."""
    assert bench.desk.will_ask(bench.now)
    bench.work()
    assert not bench.desk.will_ask(bench.now)
    bench.answer_plan()
    assert not bench.desk.will_ask(bench.now)
    assert bench.desk.will_ask(later(REPLAN_S))


def test_each_heater_gets_its_plan() -> None:
    """Two heaters are planned one after the other."""
    sets = (make_parameters(), make_parameters("loft"))
    bench = Bench(*sets, site=two_heater_site())
    bench.work()
    bench.answer_plan()
    bench.answer_plan()
    assert set(bench.desk.plans) == {"boiler", "kettle"}


# --- failure ------------------------------------------------------------------------------------


def test_a_failure_is_told_and_tried_again_after_a_minute(bench: Bench) -> None:
    """The reason stands as an alarm, the child rests for a minute, a good plan clears it."""
    bench.work()
    bench.work(10.0, PlannerFailure("it fell over"))
    (notice,) = bench.desk.notices("boiler", bench.sessions)
    assert (notice.kind, notice.alarm) == (NoticeKind.PLANNER_FAILED, True)
    assert "it fell over" in notice.text
    bench.work(RETRY_S - 10.0)
    assert len(bench.child.asked) == 1
    bench.work(10.0)
    assert len(bench.child.asked) == 2
    bench.answer_plan()
    assert bench.notice_kinds() == []


def test_a_failure_keeps_the_last_plan(bench: Bench) -> None:
    """What was valid before a failure is followed after it."""
    bench.work()
    plan = bench.answer_plan()
    bench.work(REPLAN_S)
    bench.work(10.0, PlannerFailure("it fell over"))
    assert bench.desk.plans == {"boiler": plan}


def test_a_child_that_cannot_be_started_is_a_failure_like_any(bench: Bench) -> None:
    """No memory for another process is no reason to end a tick: it is told and tried again."""
    bench.child.broken = OSError(12, "Cannot allocate memory")
    bench.work()
    assert "Cannot allocate memory" in bench.desk.notices("boiler", ())[0].text
    bench.child.broken = None
    bench.work(RETRY_S)
    assert len(bench.child.asked) == 1


def test_a_heater_whose_plan_always_fails_does_not_starve_another() -> None:
    """After a failure it is the other heater's turn."""
    sets = (make_parameters(), make_parameters("loft"))
    bench = Bench(*sets, site=two_heater_site())
    bench.work()
    bench.work(10.0, PlannerFailure("it fell over"))
    bench.work(RETRY_S)
    assert [e.heater for e in bench.child.asked if isinstance(e, PlanErrand)] == [
        "boiler",
        "kettle",
    ]
    bench.answer_plan()
    assert set(bench.desk.plans) == {"kettle"}


END_S = START_S + 48 * HOUR_S


@pytest.mark.parametrize(
    "absurd",
    [
        {"heater": "furnace"},
        {"made_s": START_S + 3600.0},
        {"made_s": math.nan},
        {"until_s": START_S - 1.0},
        {"until_s": math.inf},
        {"until_s": math.nan},
        {"until_s": START_S + 9 * 86400.0},
        {"blocks": ()},
        {"blocks": (Block(START_S, END_S - 1.0, False, BlockReason.IDLE),)},
        {"blocks": (Block(START_S + 1.0, END_S, False, BlockReason.IDLE),)},
        {"blocks": (Block(math.nan, END_S, False, BlockReason.IDLE),)},
        {
            "blocks": (
                Block(START_S, START_S + 900.0, True, BlockReason.PREHEAT),
                Block(START_S + 1000.0, END_S, False, BlockReason.IDLE),
            )
        },
        {
            "blocks": (
                Block(START_S, START_S, True, BlockReason.PREHEAT),
                Block(START_S, END_S, False, BlockReason.IDLE),
            )
        },
        {"blocks": (Block(START_S, 1e15, False, BlockReason.IDLE),)},
        {"sessions": (make_session(hours=1e15),)},
        {"sessions": (make_session(target_c=math.nan),)},
        {"outlooks": (make_outlook(points=(Point(1e15, 18.0, 17.0, 19.0),)),)},
        {"outlooks": (make_outlook(points=(Point(START_S, 1e6, 1.0, 2.0),)),)},
        {"outlooks": (make_outlook(arrivals=(replace(REACHED, lead_s=math.nan),)),)},
        {"outlooks": (make_outlook(arrivals=(replace(REACHED, lead_low_s=-1.0),)),)},
        {"outlooks": (make_outlook(arrivals=(replace(REACHED, reached_s=1e15),)),)},
        {"outlooks": (make_outlook(points=(Point(START_S, math.nan, 1.0, 2.0),)),)},
        {"outlooks": (make_outlook(points=(Point(START_S, 1.0, -math.inf, 2.0),)),)},
        {"outlooks": (make_outlook(arrivals=(Arrival("s", 18.0, math.nan, 1.0, 2.0, True),)),)},
    ],
)
def test_an_absurd_plan_is_refused(bench: Bench, absurd: dict[str, Any]) -> None:
    """A plan that cannot be meant is a failure: not stored, not followed, tried again."""
    bench.work()
    bench.answer_plan(**absurd)
    assert bench.desk.plans == {}
    assert bench.shelf.items == [make_parameters()]
    assert bench.notice_kinds() == [NoticeKind.PLANNER_FAILED]
    bench.work(RETRY_S)
    assert len(bench.child.asked) == 2


def test_a_plan_for_the_other_heater_is_refused() -> None:
    """The plan that comes must be the one that was asked for, real heater or not."""
    sets = (make_parameters(), make_parameters("loft"))
    bench = Bench(*sets, site=two_heater_site())
    bench.work()
    bench.answer_plan(heater="kettle")
    assert bench.desk.plans == {}


def test_a_plan_is_stored_before_it_is_followed(bench: Bench) -> None:
    """A plan that cannot be stored is not in force, as it could not be read back later."""
    bench.work()

    def refuse(_: Plan) -> None:
        raise ValueError("disk full")

    bench.shelf.add_plan = refuse
    with pytest.raises(ValueError, match="disk full"):
        bench.answer_plan()
    assert bench.desk.plans == {}


# --- what the owner is told ---------------------------------------------------------------------


def test_a_target_out_of_reach_is_told(bench: Bench) -> None:
    """A session that cannot be ready is an alarm with the temperature that will be."""
    bench.work()
    session = bench.sessions[0]
    short = Arrival(session.id, 18.0, 15.2, 14.0, 16.0, reachable=False)
    bench.answer_plan(outlooks=(make_outlook(arrivals=(short,)),))
    (notice,) = bench.desk.notices("boiler", bench.sessions)
    assert (notice.kind, notice.alarm) == (NoticeKind.TARGET_OUT_OF_REACH, True)
    assert notice.text.startswith(f"{session.id} (")
    assert "15.2" in notice.text
    assert "18.0" in notice.text


def test_a_cancelled_session_is_told_no_more(bench: Bench) -> None:
    """The alarm goes with the booking, before the next plan comes."""
    bench.work()
    short = Arrival(bench.sessions[0].id, 18.0, 15.2, 14.0, 16.0, reachable=False)
    bench.answer_plan(outlooks=(make_outlook(arrivals=(short,)),))
    assert bench.desk.notices("boiler", ()) == ()


# --- a clock that stands still ------------------------------------------------------------------


def test_finishing_waits_for_all_that_is_due() -> None:
    """Before a paced clock moves on, the fit and every heater's plan are there."""
    bench = Bench(site=two_heater_site())
    bench.work()
    bench.desk.finish(bench.now, bench.needs())
    assert bench.child.errand is None
    assert set(bench.desk.plans) == {"boiler", "kettle"}
    assert len(bench.child.asked) == 3


def test_finishing_ends_after_a_failure(bench: Bench) -> None:
    """A planner that fails is not asked for ever while time stands still."""
    bench.work()
    bench.child.outcome = PlannerFailure("it fell over")
    bench.desk.finish(bench.now, bench.needs())
    assert len(bench.child.asked) == 1


def test_stopping_ends_the_errand(bench: Bench) -> None:
    """A clean stop leaves no child behind."""
    bench.work()
    bench.desk.stop()
    assert bench.child.errand is None

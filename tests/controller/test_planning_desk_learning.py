"""The planning desk: learnt parameters, from the store and from each night's fit."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from controller.planner_process import PlannerFailure
from controller.planning_desk import RETRY_S
from controller.records.decision import NoticeKind
from controller.records.errands import LearnErrand, PlanErrand
from controller.records.instant import Instant
from controller.records.plan import ParameterSet, Value
from tests.controller.builders import (
    HOUR_S,
    START,
    START_S,
    later,
    make_parameters,
    make_plan,
    make_session,
    make_site,
    two_heater_site,
)
from tests.controller.desk_bench import Bench, learnt


@pytest.fixture
def bench() -> Bench:
    """A desk that has parameters already, so that its first errand is a plan."""
    return Bench(make_parameters())


# --- what is stored holds at the start ----------------------------------------------------------


def test_stored_plans_and_parameters_are_in_force_at_the_start() -> None:
    """A restart goes on with what the last process had."""
    plan, parameters = make_plan(), make_parameters()
    bench = Bench(plan, parameters)
    assert bench.desk.plans == {"boiler": plan}
    assert bench.desk.parameter_sets == {"bay": parameters}


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("gain_k_per_w", -1.0),
        ("gain_k_per_w", 0.0),
        ("time_constant_s", math.nan),
        ("time_constant_s", 1.0),
        ("dead_time_s", -1.0),
        ("dead_time_s", math.inf),
    ],
)
def test_absurd_parameters_in_the_store_are_passed_over(name: str, value: float) -> None:
    """A store that holds impossible numbers means learning anew, not steering by them."""
    bench = Bench(make_parameters(**{name: value}))
    assert bench.desk.parameter_sets == {}
    bench.work()
    assert isinstance(bench.child.errand, LearnErrand)


# --- learning -----------------------------------------------------------------------------------


def test_a_fit_and_a_plan_are_told_when_people_were_in() -> None:
    """The sessions held go along with both errands: their heat is no heater's."""
    bench = Bench()
    bench.held = (make_session(),)
    bench.work()
    assert bench.child.asked == [LearnErrand(bench.site, (), START_S, bench.held)]
    bench.work(10.0, learnt(make_parameters()))
    errand = bench.child.errand
    assert isinstance(errand, PlanErrand)
    assert errand.held == bench.held


def test_the_first_start_learns_before_it_plans() -> None:
    """With a zone that has no parameters yet, the first errand is to learn them."""
    bench = Bench()
    bench.work()
    assert bench.child.asked == [LearnErrand(bench.site, (), START_S)]
    bench.work(10.0, learnt(make_parameters()))
    assert bench.desk.parameter_sets == {"bay": make_parameters()}
    assert bench.shelf.items == [make_parameters()]
    errand = bench.child.errand
    assert isinstance(errand, PlanErrand)
    assert errand.parameter_sets == (make_parameters(),)


def test_a_failed_fit_does_not_keep_plans_waiting() -> None:
    """After a fit that failed the next errand is a plan, from the description."""
    bench = Bench()
    bench.work()
    bench.work(10.0, PlannerFailure("no history"))
    bench.work(RETRY_S)
    errand = bench.child.errand
    assert isinstance(errand, PlanErrand)
    assert errand.parameter_sets == ()
    bench.answer_plan()
    assert "boiler" in bench.desk.plans


def test_new_parameters_ask_for_new_plans(bench: Bench) -> None:
    """A fit changes what a plan expects, so the plan is made again."""
    bench.work()
    bench.answer_plan()
    bench.now = later(24 * HOUR_S)
    bench.work()
    assert isinstance(bench.child.errand, LearnErrand)
    bench.work(10.0, learnt(make_parameters()))
    assert isinstance(bench.child.errand, PlanErrand)


@pytest.mark.parametrize(("replaces", "gain"), [(True, 0.003), (False, 40.0 / 9000.0)])
def test_only_a_better_fit_replaces(bench: Bench, replaces: bool, gain: float) -> None:
    """Parameters in force stay unless the fit says that the new ones predict better."""
    bench.now = later(24 * HOUR_S)
    bench.desk.ask(START, bench.needs())
    bench.answer_plan(seconds=0.0, made_s=START_S)
    bench.now = later(48 * HOUR_S)
    bench.work()
    bench.work(10.0, learnt(make_parameters(gain_k_per_w=0.003), replaces=replaces))
    assert bench.desk.parameter_sets["bay"].values["gain_k_per_w"].value == gain


def test_a_zone_without_parameters_takes_what_it_gets() -> None:
    """The description's own values are kept even where the fit does not call them better."""
    bench = Bench()
    bench.work()
    bench.work(10.0, learnt(make_parameters(), replaces=False))
    assert bench.desk.parameter_sets == {"bay": make_parameters()}


@pytest.mark.parametrize(
    "absurd",
    [
        make_parameters(gain_k_per_w=-0.01),
        make_parameters(time_constant_s=math.inf),
        make_parameters(dead_time_s=1e9),
        make_parameters(offset_k=math.nan),
        replace(make_parameters(), values={}),
        replace(
            make_parameters(),
            values={**make_parameters().values, "gain_k_per_w": Value(0.004, math.nan)},
        ),
    ],
)
def test_absurd_parameters_are_refused(absurd: ParameterSet) -> None:
    """Parameters out of physical range are told and never used or stored."""
    bench = Bench()
    bench.work()
    bench.work(10.0, learnt(absurd))
    assert bench.desk.parameter_sets == {}
    assert bench.shelf.items == []
    assert bench.notice_kinds() == [NoticeKind.PLANNER_FAILED]


def test_one_absurd_zone_does_not_spoil_the_others() -> None:
    """Of several zones' fits the good ones are taken."""
    bench = Bench(site=two_heater_site())
    bench.work()
    bench.work(10.0, learnt(make_parameters(gain_k_per_w=-1.0), make_parameters("loft")))
    assert set(bench.desk.parameter_sets) == {"loft"}


def learning_times(time_zone: str, first: str, days: int) -> list[str]:
    """Local times at which a desk that runs from noon on asks for a fit, looked at each minute."""
    zone = ZoneInfo(time_zone)
    begin = Instant(datetime.fromisoformat(first).replace(tzinfo=zone).timestamp(), 1000.0)
    site = replace(make_site(), time_zone=time_zone)
    known = replace(make_parameters(), made_s=begin.utc_s)
    bench = Bench(known, site=site, now=begin)
    bench.seen = False  # no plans: fits alone
    times = []
    for _ in range(days * 24 * 60):
        bench.work(60.0, learnt(make_parameters()))
        if isinstance(bench.child.errand, LearnErrand):
            local = datetime.fromtimestamp(bench.now.utc_s, zone)
            times.append(f"{local:%d %H:%M}")
            assert bench.child.errand.now_s == bench.now.utc_s
    return times


@pytest.mark.parametrize(
    ("time_zone", "first", "expected"),
    [
        # an ordinary stretch
        ("Europe/Berlin", "2026-01-12 12:00", ["13 03:00", "14 03:00"]),
        # 02:00 -> 03:00 on 29 Mar 2026, and back from 03:00 on 25 Oct
        ("Europe/Berlin", "2026-03-28 12:00", ["29 03:00", "30 03:00"]),
        ("Europe/Berlin", "2026-10-24 12:00", ["25 03:00", "26 03:00"]),
        # the hour in which a fit is due is the one that is skipped, and the one that occurs twice
        ("Europe/Helsinki", "2026-03-28 12:00", ["29 04:00", "30 03:00"]),
        ("Europe/Helsinki", "2026-10-24 12:00", ["25 03:00", "26 03:00"]),
        ("America/Denver", "2026-03-07 12:00", ["08 03:00", "09 03:00"]),
    ],
)
def test_one_fit_each_night(time_zone: str, first: str, expected: list[str]) -> None:
    """At three in the morning, once, also where clocks change that night."""
    assert learning_times(time_zone, first, days=2) == expected


def test_a_service_that_was_off_at_night_learns_at_its_start() -> None:
    """Parameters of an earlier day are fitted anew at once."""
    bench = Bench(replace(make_parameters(), made_s=START_S - 36 * HOUR_S))
    bench.work()
    assert isinstance(bench.child.errand, LearnErrand)


def test_a_restart_by_day_does_not_learn_at_once(bench: Bench) -> None:
    """With parameters in the store, a restart waits for the night."""
    bench.work()
    assert isinstance(bench.child.errand, PlanErrand)

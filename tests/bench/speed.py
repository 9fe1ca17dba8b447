"""How long planning, refitting and rehearsing take on this machine, and how that grows.

Started from the root of the checkout, with nothing else running::

    python -m tests.bench.speed

Figures are medians of several goes within one run; compare ratios, not runs.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from controller import threads
from controller.clock import SystemClock
from controller.planner_process import PlannerFailure, PlannerProcess
from controller.planning.learn import learn
from controller.planning.planner import make_plan
from controller.records.errands import LearnErrand, PlanErrand
from controller.records.plan import ParameterSet
from controller.records.sessions import Session
from controller.rehearsal.controller_driver import ControllerDriver, Rehearsed
from controller.rehearsal.diary import Diary
from controller.rehearsal.memory import Memory
from controller.rehearsal.runner import run
from controller.store import open_reader
from models.linear_programme import ProgrammeFailed
from tests.bench.cases import Case, case
from tests.bench.served import DAY_S
from tests.bench.stored_past import (
    PAST_DAYS,
    AlikeZones,
    remembered,
    store_past,
    with_sessions,
    with_zones,
    zone_name,
)

AHEAD_DAYS = 7
ZONES = (1, 2, 4, 8, 16)
AGES_DAYS = (30, 60, 365, 5 * 365)
REPLAN_S = 3600.0
FULL_REPLAN_S = 300.0
SPEC = "the benchmark's workshop"


@dataclass(frozen=True, slots=True)
class Bench:
    """What is measured: a case with two months of its past, and the set learnt from them."""

    made: Case
    memory: Memory
    learnt: ParameterSet
    now_s: float

    def plan_errand(self, zones: int) -> PlanErrand:
        """To plan 7 days for so many zones alike."""
        site = with_zones(self.made.site, zones)
        sets = [replace(self.learnt, zone=zone_name(self.learnt.zone, n)) for n in range(zones)]
        return PlanErrand(
            site=site,
            limits=self.made.limits,
            heater=self.made.heater.id,
            sessions=with_sessions(self._coming(), zones),
            parameter_sets=tuple(sets),
            heating=False,
            now_s=self.now_s,
        )

    def _coming(self) -> tuple[Session, ...]:
        """The bookings of the next days, and one that makes the plan look all the way."""
        until_s = self.now_s + AHEAD_DAYS * DAY_S
        coming = [s for s in self.made.sessions if s.start_s > self.now_s and s.end_s < until_s]
        last = Session("last", self.learnt.zone, until_s - 3600.0, until_s + 7200.0, 19.0)
        return (*coming, last)

    def learn_errand(self) -> LearnErrand:
        """To fit everything anew, as at the first time."""
        return LearnErrand(self.made.site, (), self.now_s)


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print; the exit code."""
    options = _parser().parse_args(arguments)
    bench = _bench()
    with tempfile.TemporaryDirectory() as folder:
        _print_plan(bench, options.times, Path(folder) / "plan")
        _print_zones(bench, options.times)
        _print_refit(bench, options.times, Path(folder))
    for days, replan_s in ((options.season_days, REPLAN_S), (options.full_days, FULL_REPLAN_S)):
        if days:
            _print_season(days, replan_s)
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.speed", description=__doc__.partition("\n")[0]
    )
    parser.add_argument("--times", type=int, default=5, help="goes of which the median counts")
    parser.add_argument(
        "--season-days", type=int, default=90, help="season planned hourly; 0 for none [days]"
    )
    parser.add_argument(
        "--full-days", type=int, default=0, help="season planned every 5 min; 0 for none [days]"
    )
    return parser


def _bench() -> Bench:
    made = case("ordinary", "greensboro", 3, days=PAST_DAYS + AHEAD_DAYS + 1, forecast=False)
    memory = remembered(made)
    now_s = made.span.start_s + PAST_DAYS * DAY_S
    (learnt,) = learn(LearnErrand(made.site, (), now_s), memory).learnt
    return Bench(made, memory, learnt.parameter_set, now_s)


def _print_plan(bench: Bench, times: int, folder: Path) -> None:
    errand = bench.plan_errand(1)
    within_s = median_s(lambda: make_plan(errand, bench.memory), times)
    store_past(folder, bench.made, bench.memory, days=PAST_DAYS)
    child = PlannerProcess(folder, SystemClock())

    def by_child() -> None:
        child.start(errand)
        answer = child.wait()
        if answer is None or isinstance(answer, PlannerFailure):
            sys.exit(f"the planner child failed: {answer.reason if answer else 'no answer'}")

    whole_s = median_s(by_child, times)
    print(f"plan of {AHEAD_DAYS} days, one zone, work alone   {within_s:7.3f} s   (aim 0.3 s)")
    print(
        f"the same with the child's start        {whole_s:7.3f} s   (aim 1.5 s; "
        f"{whole_s / within_s:.1f} times the work)",
        flush=True,
    )


def _print_zones(bench: Bench, times: int) -> None:
    first_s = 0.0
    for zones in ZONES:
        errand = bench.plan_errand(zones)
        source = AlikeZones(bench.made.site, bench.memory, zones)
        try:
            took_s = median_s(partial(make_plan, errand, source), times)
        except ProgrammeFailed as error:
            print(f"plan of {AHEAD_DAYS} days, {zones:2d} zones               failed: {error}")
            continue
        first_s = first_s or took_s
        print(
            f"plan of {AHEAD_DAYS} days, {zones:2d} zones               {took_s:7.3f} s   "
            f"({took_s / first_s:.1f} times one zone)",
            flush=True,
        )


def _print_refit(bench: Bench, times: int, folder: Path) -> None:
    took: dict[int, float] = {}
    for days in AGES_DAYS:
        store = folder / f"aged-{days}"
        store_past(store, bench.made, bench.memory, days=days)
        with closing(open_reader(store)) as reader:
            took[days] = median_s(partial(learn, bench.learn_errand(), reader), times)
        beside = took[days] / took.get(PAST_DAYS, took[days])
        print(
            f"refit from a store of {days:4d} days        {took[days]:7.3f} s   "
            + (f"({beside:.2f} times that of {PAST_DAYS} days)" if days >= PAST_DAYS else "")
            + ("; aim 5 s" if days == PAST_DAYS else ""),
            flush=True,
        )


def _print_season(days: int, replan_s: float) -> None:
    made = case("ordinary", "greensboro", 3, days=days, forecast=False)
    rehearsed = Rehearsed(made.site, made.heater, made.limits, made.sessions, replan_s)
    driver = ControllerDriver(rehearsed, start_s=made.span.start_s)
    diary = Diary(made.heater, [zone.id for zone in made.site.zones_of(made.heater)])

    def season() -> None:
        building = made.make_building()
        run(building, driver, made.span, diary=diary, spec=SPEC, progress=lambda share: None)

    took_s = median_s(season, 1)
    aim_min = 4 if replan_s == REPLAN_S else 12
    print(
        f"season of {days} days, planned every {replan_s / 60:.0f} min   {took_s / 60:6.2f} min; "
        f"for 90 days {took_s / 60 * 90 / days:.2f} min   (aim {aim_min} min)",
        flush=True,
    )


def median_s(work: Callable[[], object], times: int) -> float:
    """Median time of several goes [s], after one that does not count where there are several."""
    if times > 1:
        work()
    took = []
    for _ in range(times):
        began_s = time.perf_counter()
        work()
        took.append(time.perf_counter() - began_s)
    return statistics.median(took)


def _single_threaded() -> None:
    """Start anew with one thread, as the planner child has; numpy looks when it is imported."""
    if any(os.environ.get(name) != "1" for name in threads.SETTINGS):
        threads.use_one()
        os.execv(sys.executable, [sys.executable, "-m", "tests.bench.speed", *sys.argv[1:]])


if __name__ == "__main__":
    _single_threaded()
    sys.exit(main())

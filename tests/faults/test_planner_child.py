"""The planner's child does its worst, and the heater goes on by the last valid plan."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace

import pytest

from controller.brokers import start_broker
from controller.codec import to_plain
from controller.records.decision import Decision, NoticeKind
from controller.records.errands import LearnAnswer, Learnt, PlanAnswer
from controller.records.plan import Block, BlockReason, Rung
from controller.store import open_reader
from tests.controller.builders import make_parameters
from tests.faults.bench import ROOT, ZONE, Workshop, heating_live, live, within
from tests.faults.conftest import RunningBroker
from tests.faults.pacing import Paced, paced_workshop
from tests.faults.timers import TIMERS

RETRY_TICKS = 8
"""A failed errand is tried again after a minute."""
REPLAN_TICKS = 100
"""A plan is made anew every quarter of an hour."""

OUT_OF_MEMORY = f"""
sys.path.insert(0, {str(ROOT)!r})
import io
from controller.planning import child
sys.stdin = io.StringIO(request)
child._plan = lambda body, folder: bytearray(8 << 30)
sys.exit(child.main(['.', str(os.getppid())]))
"""
"""The real child with its own limits, in which a plan takes 8 GB."""

UNLESS_IT_LEARNS = """
if '"errand": "learn"' in request:
    sys.exit(print('{"answer": "learn", "body": {"learnt": []}}'))
"""


def says(answer: object) -> str:
    """Lines of a child that answers this."""
    return f"print({json.dumps({'answer': 'plan', 'body': to_plain(answer)})!r})"


def of_another_heater(workshop: Workshop) -> str:
    return says(PlanAnswer(workshop.timetable(heater="kettle")))


def of_last_week(workshop: Workshop) -> str:
    return says(PlanAnswer(workshop.timetable(made_ago_s=7 * 86400.0)))


def of_no_numbers(workshop: Workshop) -> str:
    plan = workshop.timetable()
    nan = float("nan")
    return says(PlanAnswer(replace(plan, blocks=(Block(nan, nan, True, BlockReason.HOLD),))))


def for_ever(workshop: Workshop) -> str:
    return says(PlanAnswer(replace(workshop.timetable(), until_s=1e12)))


CASES: dict[str, tuple[str | Callable[[Workshop], str], str]] = {
    "crashed": ("os.kill(os.getpid(), 11)", "ended with code -11"),
    "out of memory": (OUT_OF_MEMORY, "MemoryError"),
    "hung": ("time.sleep(3600)", "took too long"),
    "not to be started": ("", "could not be started"),
    "silent": ("", "makes no sense"),
    "broken JSON": ("print('{\"body\": ')", "makes no sense"),
    "JSON of something else": ("print('[1, 2, 3]')", "makes no sense"),
    "no numbers": (of_no_numbers, "blocks do not join"),
    "of another heater": (of_another_heater, "the plan is for heater kettle"),
    "of last week": (of_last_week, "does not hold the present moment"),
    "for ever": (for_ever, "does not hold the present moment"),
    "100 MB": ("sys.stdout.write('x' * 100_000_000)", "too long"),
}
"""What the child does, and the words by which the record tells of it."""


@pytest.fixture(scope="module")
def heating(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Paced]:
    """A service that heats by a good plan, and goes on while its planner fails in every way."""
    folder = tmp_path_factory.mktemp("planner")
    with start_broker() as broker, paced_workshop(folder, broker.port) as made:
        made.start()
        made.tick_until(heating=True)
        yield made


@pytest.mark.parametrize("case", CASES)
def test_a_planner_that_fails_costs_no_heat(heating: Paced, case: str) -> None:
    """The failure is an alarm in the record, with its reason; the last valid plan holds."""
    workshop, (lines, words) = heating.workshop, CASES[case]
    workshop.plan()
    heating.tick(RETRY_TICKS)  # a good plan again, so that each case stands alone
    before_mb = heating.service.resident_mb()
    workshop.plan_by(lines if isinstance(lines, str) else lines(workshop))
    if words == "could not be started":
        workshop.planner.chmod(0o600)
    last = ticked_until_failure(heating, words)
    assert workshop.relay.closed
    assert last.command.heat
    assert last.wish.rung is Rung.PROGRAMME
    assert heating.service.resident_mb("VmHWM") - before_mb < 30.0


def ticked_until_failure(paced: Paced, words: str) -> Decision:
    """The decision that tells of a failure in these words."""
    for _ in range(REPLAN_TICKS):
        paced.tick()
        last = paced.workshop.last()
        for notice in last.notices:
            if notice.kind is NoticeKind.PLANNER_FAILED and words in notice.text:
                assert notice.alarm
                return last
    raise AssertionError(f"no failure with {words!r}; notices: {last.notices}")


def test_a_planner_that_is_slow_is_taken_when_it_comes(
    broker: RunningBroker, make_live: Callable[..., Workshop]
) -> None:
    """Ticks and renewals go on meanwhile, and so they do while it hangs for good."""
    workshop = make_live(broker.port)
    slowly = f"time.sleep({TIMERS.plan_s / 3.0})\n"
    workshop.plan_by(slowly + UNLESS_IT_LEARNS + says(PlanAnswer(workshop.timetable(heat=False))))
    with live(workshop):
        heating_live(workshop)
        plan_is_there(workshop, within_s=TIMERS.plan_s + 30.0)
        assert workshop.relay.closed
        workshop.plan_by(
            f"time.sleep({TIMERS.plan_s + 20.0})"
        )  # not longer: it outlives the service
        workshop.book("bookings: {a: {date: 2030-01-01, start: 09:00, end: 10:00, target: 16}}\n")
        obeyed = len(workshop.relay.accepted())
        wanted = obeyed + int(TIMERS.plan_s / TIMERS.tick_s)
        within(
            TIMERS.plan_s + 10.0 * TIMERS.tick_s, lambda: len(workshop.relay.accepted()) >= wanted
        )


def plan_is_there(workshop: Workshop, *, within_s: float) -> None:
    """Wait until a plan is on record."""
    with closing(open_reader(workshop.store)) as reader:
        within(within_s, lambda: reader.latest_plan("boiler") is not None, pause_s=0.1)


@pytest.mark.parametrize(
    ("name", "value"),
    [("time_constant_s", 1.0), ("offset_k", 1e300)],
)
def test_absurd_parameters_are_refused(paced: Paced, name: str, value: float) -> None:
    """They are neither used nor stored; the record tells which value is out of which span."""
    parameters = make_parameters(ZONE, **{name: value})
    learnt = LearnAnswer((Learnt(parameters, replaces=True, reason="better"),))
    (paced.workshop.folder / "learn.json").write_text(
        json.dumps({"answer": "learn", "body": to_plain(learnt)})
    )
    paced.start()
    last = ticked_until_failure(paced, f"{name} = {value:g} lies outside")
    assert last.estimates[0].parameter_set == ""
    with closing(open_reader(paced.workshop.store)) as reader:
        assert reader.latest_parameters(ZONE) is None

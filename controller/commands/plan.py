"""``slabtide plan``: the coming timetable, as text and as a small drawn strip."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

from controller.commands._shared import present_s, say, whole_number, with_store
from controller.commands._standing import no_heat
from controller.commands._strip import LEGEND, draw
from controller.configuration import Configuration
from controller.local_time import LocalTime, duration
from controller.records.plan import Arrival, Block, BlockReason, Plan
from controller.sentences import (
    Background,
    on_off,
    shortfall_sentence,
)
from controller.session_names import session_name, session_phrase
from controller.store import Reader
from controller.wishes import PLAN_LASTS_S

SUMMARY = "show the coming timetable: when there will be heat, why, and what it will do"
EXAMPLE = "slabtide plan --hours 48"

_REASONS = {
    BlockReason.PREHEAT: "preheat for",
    BlockReason.HOLD: "hold in",
    BlockReason.COAST_UP: "coast-up before",
    BlockReason.RUN_OUT: "run-out of",
    BlockReason.FROST_FLOOR: "frost floor before",
    BlockReason.IDLE: "idle before",
}


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    parser.add_argument(
        "--hours",
        type=whole_number(168),
        default=72,
        metavar="N",
        help="how far the list of blocks goes (default: %(default)s)",
    )


@dataclass(frozen=True, slots=True)
class Question:
    """The present [UTC s], and how far the list of blocks goes [h]."""

    now_s: float
    hours: int


def run(args: argparse.Namespace) -> int:
    """Print the latest timetable of each heater."""
    question = Question(present_s(args.site), args.hours)
    return with_store(args.site, lambda _: question, answer)


def answer(configuration: Configuration, reader: Reader, question: Question) -> int:
    """Print each heater's timetable; 1 where one of them has none."""
    local = LocalTime(configuration.site.time_zone)
    plans = {heater.id: reader.latest_plan(heater.id) for heater in configuration.site.heaters}
    for line in no_heat(configuration, reader, question.now_s):
        say(line)
    for heater, plan in plans.items():
        if plan is None:
            say(f"There is no timetable for {heater} yet; the planner makes one every 15 minutes.")
            continue
        for line in describe(plan, local, question):
            say(line)
    return 0 if all(plans.values()) else 1


def describe(plan: Plan, local: LocalTime, question: Question) -> Iterator[str]:
    """Give the lines about one timetable: the bad news first."""
    now_s = question.now_s
    background = Background(local=local, plan=plan)
    arrivals = [a for o in plan.outlooks for a in o.arrivals if _is_coming(a, background, now_s)]
    yield from _age(plan, local, now_s)
    yield from (shortfall_sentence(a, background) for a in arrivals if not a.reachable)
    yield ""
    yield "Sessions" if arrivals else "No session within this timetable."
    yield from (f"  {_arrival(arrival, background)}" for arrival in arrivals)
    yield ""
    yield f"Timetable ({local.time_zone})"
    yield from (
        f"  {line}" for line in _blocks(plan, background, now_s, now_s + question.hours * 3600.0)
    )
    yield ""
    yield from draw(plan, local, now_s=now_s)
    yield LEGEND
    yield ""


def _is_coming(arrival: Arrival, background: Background, now_s: float) -> bool:
    session = background.session(arrival.session)
    return session is None or session.start_s > now_s


def _age(plan: Plan, local: LocalTime, now_s: float) -> Iterator[str]:
    age_s = max(0.0, now_s - plan.made_s)
    yield (
        f"{plan.heater}: timetable made {local.moment(plan.made_s)} ({duration(age_s)} ago), "
        f"to {local.moment(plan.until_s)}."
    )
    if age_s > PLAN_LASTS_S:
        yield (
            f"It is older than {duration(PLAN_LASTS_S)} and no longer followed: the service goes "
            "by its own lead time, if it runs. See `slabtide log`."
        )


def _arrival(arrival: Arrival, background: Background) -> str:
    session = background.session(arrival.session)
    told = (
        f"{session_phrase(arrival.session, session, background.local)}: "
        f"{arrival.air_c:.1f} °C expected at its start "
        f"(80 % between {arrival.low_c:.1f} and {arrival.high_c:.1f} °C)"
    )
    if arrival.lead_s is None:
        return f"{told}."
    told += f"; preheat begins {duration(arrival.lead_s)} before"
    if arrival.lead_low_s is None or arrival.lead_high_s is None:
        return f"{told}."
    low, high = duration(arrival.lead_low_s), duration(arrival.lead_high_s)
    return f"{told} (at full heat it takes between {low} and {high}, 80 %)."


def _blocks(plan: Plan, background: Background, now_s: float, until_s: float) -> Iterator[str]:
    local = background.local
    left = [b for b in plan.blocks if b.end_s > now_s]
    for block in (b for b in left if b.start_s < until_s):
        span = f"{local.moment(block.start_s)} to {local.moment(block.end_s)}"
        yield f"{span}  {on_off(block.heat):3}  {_reason(block, background)}"
    later = sum(block.start_s >= until_s for block in left)
    if later:
        yield f"... and {later} more after {local.moment(until_s)} (see --hours)"


def _reason(block: Block, background: Background) -> str:
    if block.session is None:
        return block.reason.value.replace("_", " ")
    session = background.session(block.session)
    name = session_name(block.session, session, background.local)
    return f"{_REASONS[block.reason]} {name}"

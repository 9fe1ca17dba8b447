"""``slabtide log``: decisions one line each, equal ones folded."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from controller.codec import to_plain
from controller.commands._shared import (
    BadArgumentError,
    allow_times_ago,
    check_id,
    present_s,
    read_when,
    say,
    say_json,
    with_store,
)
from controller.configuration import Configuration
from controller.local_time import WHEN_HELP, LocalTime, utc_text
from controller.output_sentences import outputs_in_short
from controller.records.decision import Decision
from controller.records.plan import Plan
from controller.records.readings import RejectionCount
from controller.sentences import Background, headline, on_off
from controller.session_names import day_of
from controller.store import Reader

PLANNED_AHEAD_S = 7 * 86_400.0
"""A plan reaches so far ahead [s]."""
SESSION_LASTS_S = 3 * 86_400.0
"""A session that starts on a day is over by then [s]."""
SUMMARY = "list the decisions of a time, one line each"
EXAMPLE = "slabtide log --since -12h --zone boat-bay"


@dataclass(frozen=True, slots=True)
class Fold:
    """Consecutive decisions of one heater that say the same: the first, the last, how many."""

    first: Decision
    last: Decision
    count: int = 1

    @classmethod
    def of(cls, decision: Decision) -> Fold:
        """Of one decision, with those that it stands for in an old record."""
        return cls(decision, decision, _times(decision))


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked; times in UTC seconds."""

    since_s: float
    until_s: float
    zone: str | None
    heater: str | None
    every: bool
    as_json: bool
    session: str | None = None


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    allow_times_ago(parser)
    parser.add_argument(
        "--since",
        metavar="WHEN",
        help=f"{WHEN_HELP}; or a session's name, for its start (default: -24h)",
    )
    parser.add_argument("--until", metavar="WHEN", help="the same forms (default: now)")
    parser.add_argument(
        "--session",
        metavar="NAME",
        help="only decisions made for this session, from a week before it on; named as everywhere: "
        "sat@2026-11-28",
    )
    parser.add_argument("--zone", metavar="ID", help="only decisions about this zone")
    parser.add_argument("--heater", metavar="ID", help="only decisions about this heater")
    parser.add_argument("--all", action="store_true", help="every row, nothing folded")
    parser.add_argument("--json", action="store_true", help="every row as a line of JSON")


def run(args: argparse.Namespace) -> int:
    """Print the decisions of a span of time."""
    now_s = present_s(args.site)
    return with_store(args.site, lambda site: understand(site, args, now_s=now_s), answer)


def understand(configuration: Configuration, args: argparse.Namespace, *, now_s: float) -> Question:
    """Make sense of the arguments; BadArgumentError where there is none."""
    site = configuration.site
    check_id(args.zone, tuple(zone.id for zone in site.zones), kind="zone")
    check_id(args.heater, tuple(heater.id for heater in site.heaters), kind="heater")
    local = LocalTime(site.time_zone)
    since, until = args.since or "-24h", args.until or "now"
    since_s = read_when(since, configuration, now_s=now_s)
    until_s = read_when(until, configuration, now_s=now_s)
    if args.session is not None:
        first_s, last_s = _around(args.session, site.time_zone)
        since_s = since_s if args.since else first_s
        until_s = until_s if args.until else min(last_s, now_s)
    if since_s >= until_s:
        raise BadArgumentError(
            f"--since ({local.stamp(since_s)}) is not before --until ({local.stamp(until_s)})"
        )
    return Question(since_s, until_s, args.zone, args.heater, args.all, args.json, args.session)


def _around(session_id: str, time_zone: str) -> tuple[float, float]:
    """When decisions for a session may have been made [UTC s]."""
    try:
        day_s = day_of(session_id, time_zone)
    except ValueError as error:
        raise BadArgumentError(str(error)) from error
    return day_s - PLANNED_AHEAD_S, day_s + SESSION_LASTS_S


def answer(configuration: Configuration, reader: Reader, question: Question) -> int:
    """Print what is asked for."""
    local = LocalTime(configuration.site.time_zone)
    since_s, until_s = question.since_s, question.until_s
    found = reader.decisions(since_s, until_s, zone=question.zone, heater=question.heater)
    if question.session is not None:
        found = [decision for decision in found if decision.wish.session == question.session]
    if question.as_json:
        for decision in found:
            say_json({"utc": utc_text(decision.at.utc_s), "decision": to_plain(decision)})
    elif found:
        _tell(found, reader, local, every=question.every)
    else:
        about = f" for {question.session}" if question.session else ""
        span = f"from {local.stamp(since_s)} to {local.stamp(until_s)}"
        say(f"No decision{about} is on record {span}.")
    if not question.as_json:
        _tell_rejected(reader.rejections(since_s), local, until_s=until_s)
    return 0


def _tell_rejected(counts: list[RejectionCount], local: LocalTime, *, until_s: float) -> None:
    """Print what gave no reading, which is counted by the day (UTC)."""
    told = [count for count in counts if count.last_s <= until_s]
    if told:
        say()
        say("Messages that gave no reading, since the first of these days began (UTC):")
    for count in told:
        example = f", the last one {count.example!r}" if count.example else ""
        why = count.reason.value.replace("_", " ")
        say(f"  {count.sensor}: {count.count} {why}, until {local.moment(count.last_s)}{example}")


def _tell(found: list[Decision], reader: Reader, local: LocalTime, *, every: bool) -> None:
    plans: dict[str, Plan | None] = {}
    width = max(len(decision.heater) for decision in found)
    for fold in (Fold.of(d) for d in found) if every else folded(found):
        name = fold.first.wish.plan
        if name is not None and name not in plans:
            plans[name] = reader.plan(name, points=False)
        background = Background(local=local, plan=plans.get(name) if name else None)
        say(_line(fold, background, width))


def _line(fold: Fold, background: Background, width: int) -> str:
    first, local = fold.first, background.local
    told = (
        f"{local.stamp(first.at.utc_s)}  {first.heater:{width}}  "
        f"{on_off(first.command.heat):3}  {headline(first, background)}"
        f"{outputs_in_short(first.outputs)}"
    )
    if fold.count == 1:
        return told
    return f"{told}  [{fold.count} times, until {local.moment(fold.last.last_s)}]"


def folded(found: Iterable[Decision]) -> Iterator[Fold]:
    """Fold consecutive decisions of each heater that say the same; by the time of the first."""
    folds: list[Fold] = []
    open_folds: dict[str, int] = {}
    for decision in found:
        place = open_folds.get(decision.heater)
        if place is not None and _gist(folds[place].last) == _gist(decision):
            count = folds[place].count + _times(decision)
            folds[place] = replace(folds[place], last=decision, count=count)
        else:
            open_folds[decision.heater] = len(folds)
            folds.append(Fold.of(decision))
    return iter(folds)


def _times(decision: Decision) -> int:
    return 1 + (decision.repeated.count if decision.repeated else 0)


def _gist(decision: Decision) -> tuple[object, ...]:
    """What a line says, but for its numbers."""
    wish, deciding = decision.wish, decision.deciding
    ruled = deciding and (deciding.rule, deciding.severity, deciding.reason, deciding.subject)
    alarms = tuple(notice for notice in decision.notices if notice.alarm)
    on = tuple((told.output, told.on) for told in decision.outputs)
    wished = (wish.heat, wish.rung, wish.reason, wish.session)
    return (decision.command.heat, *wished, ruled, alarms, on)

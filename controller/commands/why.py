"""``slabtide why``: one decision read back in plain sentences."""

from __future__ import annotations

import argparse
from dataclasses import dataclass

from controller.calendar import sessions
from controller.commands._shared import (
    SILENT_S,
    BadArgumentError,
    allow_times_ago,
    check_id,
    present_s,
    read_when,
    say,
    with_store,
)
from controller.configuration import Configuration
from controller.local_time import WHEN_HELP, LocalTime, duration
from controller.records.decision import Decision
from controller.sentences import Background, explain, on_off
from controller.store import Reader

SUMMARY = "tell why the heater was on or off at a moment, with everything that was known"
EXAMPLE = "slabtide why 'yesterday 03:00'"

_AROUND_S = 8 * 86_400.0
"""Bookings are looked up this far around a decision [s]: a plan reaches a week ahead."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked: a moment [UTC s], and the heaters."""

    at_s: float
    heaters: tuple[str, ...]


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    allow_times_ago(parser)
    parser.add_argument(
        "when",
        nargs="*",
        metavar="WHEN",
        help=f"the moment: {WHEN_HELP}; local time of the site; or a session's name, for its start "
        "(default: now)",
    )
    parser.add_argument("--heater", metavar="ID", help="the heater (default: each of the site)")


def run(args: argparse.Namespace) -> int:
    """Print the decision that was in force at a moment."""
    now_s = present_s(args.site)
    return with_store(args.site, lambda site: understand(site, args, now_s=now_s), answer)


def understand(configuration: Configuration, args: argparse.Namespace, *, now_s: float) -> Question:
    """Make sense of the arguments; BadArgumentError where there is none."""
    heaters = tuple(heater.id for heater in configuration.site.heaters)
    check_id(args.heater, heaters, kind="heater")
    local = LocalTime(configuration.site.time_zone)
    at_s = read_when(" ".join(args.when) or "now", configuration, now_s=now_s)
    if at_s > now_s:
        raise BadArgumentError(
            f"{local.moment(at_s)} is still to come: see `slabtide plan` for what is meant to be"
        )
    return Question(at_s, tuple(h for h in heaters if args.heater in (None, h)))


def answer(configuration: Configuration, reader: Reader, question: Question) -> int:
    """Print one decision for each heater asked about; 1 where there is none."""
    found = [reader.decision_at(question.at_s, heater) for heater in question.heaters]
    for decision in found:
        if decision is not None:
            _tell(configuration, reader, decision, at_s=question.at_s)
    if not any(found):
        local = LocalTime(configuration.site.time_zone)
        say(f"No decision is on record at or before {local.stamp(question.at_s)}.")
        return 1
    return 0


def _tell(configuration: Configuration, reader: Reader, decision: Decision, *, at_s: float) -> None:
    local = LocalTime(configuration.site.time_zone)
    readback = reader.readback(decision.heater, decision.command.sequence)
    taken = f"{local.at(decision.at.utc_s):%a} {local.stamp(decision.at.utc_s)}"
    say(f"{decision.heater}: heat {on_off(decision.command.heat)}")
    say(f"Decided {taken} ({configuration.site.time_zone}), by slabtide {decision.version}.")
    if decision.repeated is not None:
        say(
            f"The same was decided {decision.repeated.count} times more, until "
            f"{local.stamp(decision.last_s)}: of what is that old only changes and the first of "
            "several are kept, so readings and numbers below are those of the first."
        )
    silent_s = at_s - decision.last_s
    if silent_s > SILENT_S:
        say(
            f"No decision is on record for the {duration(silent_s)} from then to the moment asked "
            "for: the service was not running, and without renewal the relay is off."
        )
    for section in explain(decision, readback, _background(configuration, reader, decision)):
        say()
        say(section.title)
        for sentence in section.sentences:
            say(f"  {sentence}")
    say()


def _background(configuration: Configuration, reader: Reader, decision: Decision) -> Background:
    booked = sessions(
        configuration.bookings,
        time_zone=configuration.site.time_zone,
        since_s=decision.at.utc_s - _AROUND_S,
        until_s=decision.at.utc_s + _AROUND_S,
    )
    return Background(
        local=LocalTime(configuration.site.time_zone),
        plan=reader.plan(decision.wish.plan, points=False) if decision.wish.plan else None,
        sessions={session.id: session for session in booked},
    )

"""``slabtide coast``: how warm each room still gets if the heater stops now."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from controller.calendar import sessions
from controller.commands._shared import number, present_s, say, with_store
from controller.configuration import Configuration
from controller.local_time import LocalTime
from controller.records.sessions import Session
from controller.records.site import Zone
from controller.store import Reader

if TYPE_CHECKING:
    from controller.planning.coasting import Coasting

SUMMARY = "tell how warm each room still gets if the heater stops now, and when it has cooled"
EXAMPLE = "slabtide coast --below 17.5"

_NEAR_S = 7 * 86400.0
_AROUND_S = 3 * 86400.0
_AHEAD_H = 72


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    parser.add_argument(
        "--below",
        type=number(0.0, 40.0, "°C"),
        metavar="C",
        help="the temperature whose undercutting is told [°C] (default: the running or next "
        "session's target less 0.5)",
    )


@dataclass(frozen=True, slots=True)
class Question:
    """The present [UTC s], and the temperature asked about [°C]; None for the booking's."""

    now_s: float
    below_c: float | None


def run(args: argparse.Namespace) -> int:
    """Print one line a zone."""
    question = Question(present_s(args.site), args.below)
    return with_store(args.site, lambda _: question, answer)


def answer(configuration: Configuration, reader: Reader, question: Question) -> int:
    """Print each zone's coast; 1 where one cannot be told."""
    from controller.planning.coasting import coasting
    from controller.planning.start import PlanningError

    local, code = LocalTime(configuration.site.time_zone), 0
    for zone in configuration.site.zones:
        stored = reader.latest_parameters(zone.id)
        below_c = _below_c(configuration, zone, question)
        try:
            found = coasting(
                reader,
                configuration.site,
                zone,
                (stored,) if stored is not None else (),
                now_s=question.now_s,
                floor_c=below_c,
                sessions=_around(configuration, question.now_s),
            )
        except PlanningError as error:
            say(f"{zone.name}: cannot be told: {error}.")
            code = 1
            continue
        for line in _told(zone, found, local, question.now_s, below_c):
            say(line)
    return code


def _around(configuration: Configuration, now_s: float) -> tuple[Session, ...]:
    """The sessions of the days around: people warm the room, too."""
    return sessions(
        configuration.bookings,
        time_zone=configuration.site.time_zone,
        since_s=now_s - _AROUND_S,
        until_s=now_s + _AROUND_S,
    )


def _below_c(configuration: Configuration, zone: Zone, question: Question) -> float:
    """The temperature asked about; without one that of the booking, or a frost-free room's."""
    from controller.planning.wishes_ahead import ready_c

    if question.below_c is not None:
        return question.below_c
    booked = sessions(
        configuration.bookings,
        time_zone=configuration.site.time_zone,
        since_s=question.now_s,
        until_s=question.now_s + _NEAR_S,
    )
    wanted_c = [ready_c(session) for session in booked if session.zone == zone.id]
    return wanted_c[0] if wanted_c else configuration.limits.frost_off_c


def _told(
    zone: Zone, found: Coasting, local: LocalTime, now_s: float, below_c: float
) -> Iterator[str]:
    low, middle, high = found.low, found.middle, found.high
    yield (
        f"{zone.name}: if the heater stops now, the room peaks at {middle.peak_c:.1f} °C at "
        f"{local.moment(now_s + middle.peak_s)} (80 %: {low.peak_c:.1f} to {high.peak_c:.1f} °C, "
        f"{local.moment(now_s + low.peak_s)} to {local.moment(now_s + high.peak_s)})"
    )
    if middle.below_s == 0.0:
        yield f"  and stays below {below_c:.1f} °C."
    elif math.isinf(middle.below_s):
        yield f"  and stays above {below_c:.1f} °C for the next {_AHEAD_H} hours."
    else:
        yield (
            f"  and falls below {below_c:.1f} °C at {local.moment(now_s + middle.below_s)} "
            f"(80 %: {_when(low.below_s, local, now_s)} to {_when(high.below_s, local, now_s)})."
        )


def _when(ahead_s: float, local: LocalTime, now_s: float) -> str:
    if math.isinf(ahead_s):
        return f"more than {_AHEAD_H} hours on"
    return "now" if ahead_s == 0.0 else local.moment(now_s + ahead_s)

"""``slabtide bookings``: the coming sessions, in local time."""

from __future__ import annotations

import argparse
from contextlib import closing

from controller.calendar import sessions
from controller.commands._shared import at_least_one, present_s, say
from controller.commands._standing import no_heat
from controller.configuration import Configuration, load_all
from controller.local_time import LocalTime, duration
from controller.records.plan import Arrival
from controller.records.sessions import Session
from controller.session_names import session_name
from controller.store import StoreFailed, open_reader

SUMMARY = "list the coming sessions, and how warm each is expected to find the room"
EXAMPLE = "slabtide bookings --days 14"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    parser.add_argument(
        "--days",
        type=at_least_one,
        default=14,
        metavar="N",
        help="how far to look ahead (default: %(default)s)",
    )


def run(args: argparse.Namespace) -> int:
    """Print the sessions that run or come within the next days."""
    configuration = load_all(args.site)
    answer(configuration, args.days, now_s=present_s(args.site))
    return 0


def answer(configuration: Configuration, days: int, *, now_s: float) -> None:
    """Print the sessions of the next ``days``; the store is asked only for what is expected."""
    local = LocalTime(configuration.site.time_zone)
    until_s = now_s + days * 86_400.0
    coming = sessions(
        configuration.bookings,
        time_zone=configuration.site.time_zone,
        since_s=now_s,
        until_s=until_s,
    )
    until = local.moment(until_s)
    if not coming:
        say(f"Nothing is booked until {until}.")
        return
    standing, arrivals = _stored(configuration, now_s)
    for line in standing:
        say(line)
    say(f"Booked until {until} ({configuration.site.time_zone}):")
    for session in coming:
        say(f"  {_line(session, local, now_s)}")
        for remark in _remarks(session, coming, arrivals.get(session), local):
            say(f"      {remark}")


def _line(session: Session, local: LocalTime, now_s: float) -> str:
    same_day = local.day(session.start_s) == local.day(session.end_s)
    end = local.clock(session.end_s) if same_day else local.moment(session.end_s)
    running = "  runs now" if session.start_s <= now_s else ""
    title = f"  {session.title}" if session.title else ""
    return (
        f"{session_name(session.id, session, local)} to {end}, "
        f"{duration(session.end_s - session.start_s)}"
        f"  {session.zone}  {session.target_c:.1f} °C, ready with {session.readiness * 100:.0f} %"
        f"{title}{running}"
    )


def _remarks(
    session: Session, coming: tuple[Session, ...], arrival: Arrival | None, local: LocalTime
) -> list[str]:
    remarks = [
        f"overlaps with {session_name(other.id, other, local)}, {other.target_c:.1f} °C: the "
        "warmer target counts"
        for other in coming
        if other is not session
        and other.zone == session.zone
        and other.start_s < session.end_s
        and session.start_s < other.end_s
    ]
    if arrival is not None:
        late = "" if arrival.reachable else "NOT IN TIME: "
        remarks.append(
            f"{late}{arrival.air_c:.1f} °C expected at its start "
            f"(80 % between {arrival.low_c:.1f} and {arrival.high_c:.1f} °C)"
        )
        if not arrival.reachable and arrival.reached_s is not None:
            remarks.append(f"the target would be reached at {local.moment(arrival.reached_s)}")
    return remarks


def _stored(configuration: Configuration, now_s: float) -> tuple[list[str], dict[Session, Arrival]]:
    """What keeps heat away, and what the latest plans expect, by session as it was planned.

    Nothing of both without a store.
    """
    try:
        with closing(open_reader(configuration.store)) as reader:
            plans = [reader.latest_plan(heater.id) for heater in configuration.site.heaters]
            standing = list(no_heat(configuration, reader, now_s))
    except StoreFailed:
        return [], {}
    expected: dict[Session, Arrival] = {}
    for plan in (p for p in plans if p is not None):
        by_id = {a.session: a for outlook in plan.outlooks for a in outlook.arrivals}
        expected |= {s: by_id[s.id] for s in plan.sessions if s.id in by_id}
    return standing, expected

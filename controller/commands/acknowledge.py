"""``slabtide acknowledge``: lift a lockout after its cause has been looked at."""

from __future__ import annotations

import argparse
import os
import pwd
import shlex
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from controller.clock import SystemClock
from controller.commands._shared import say, usable_configuration
from controller.interlocks import lockout, removed_role
from controller.local_time import LocalTime
from controller.records.decision import Decision
from controller.records.safety import Clears, Severity, waiting
from controller.requests import leave_acknowledgement
from controller.site_lock import is_held
from controller.store import StoreFailed, StoreMissing, open_reader
from controller.store.database import FILE_NAME
from controller.store.lockout_marks import LockoutMarks

SUMMARY = "lift a lockout after its cause is put right, or confirm that a sensor is gone for good"
EXAMPLE = "slabtide acknowledge --heater boiler"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    parser.add_argument(
        "--heater", metavar="ID", help="the heater (default: the only one of the site)"
    )


def run(args: argparse.Namespace) -> int:
    """Leave a request for the service, and say what it will do with it."""
    configuration = usable_configuration(args.site)
    heaters = [heater.id for heater in configuration.site.heaters]
    heater = args.heater or (heaters[0] if len(heaters) == 1 else None)
    if heater not in heaters:
        wrong = f"there is no heater {args.heater!r}" if args.heater else "which heater?"
        print(f"{wrong}; use --heater with one of: {', '.join(heaters)}", file=sys.stderr)
        return 2
    if refusal := not_heard(
        configuration.store, f"--site {shlex.quote(str(args.site))} --heater {heater}"
    ):
        print(refusal, file=sys.stderr)
        return 2
    now_s = SystemClock().now().utc_s
    seen = look(configuration.store, heater)
    # also where nothing seems to wait: a lockout may stand that could not be written
    try:
        leave_acknowledgement(configuration.store, heater, at_s=now_s, waits=seen.waits)
    except OSError as error:
        print(f"The request could not be left, and nothing is lifted: {error}", file=sys.stderr)
        return 2
    local = LocalTime(configuration.site.time_zone)
    for line in told(seen, heater, runs=is_held(configuration.store, args.site), local=local):
        say(line)
    return 0


def not_heard(store: Path, arguments: str) -> str | None:
    """Why the service would not hear who asks, with what to say instead; None where it would.

    What root leaves the service's user cannot read: the lockout would stand, and the owner
    believe it lifted. So not even root may ask in the place of the store's own user.

    Parameters
    ----------
    store : Path
        The store's folder.
    arguments : str
        What the command was given.
    """
    try:
        owners = [path.stat().st_uid for path in (store, store / FILE_NAME) if path.exists()]
    except OSError as error:
        return f"The records cannot be reached: {error}. Acknowledge as the service's own user."
    if not owners or os.geteuid() in owners:  # none: no service has run here yet
        return None
    try:
        user = pwd.getpwuid(owners[-1]).pw_name
    except KeyError:
        user = f"#{owners[-1]}"
    command = f"sudo -u {shlex.quote(user)} slabtide acknowledge {arguments}"
    return (
        f"The records in {store} are the user {user}'s, whose service could not read a request of "
        f"another user. Nothing is lifted; right: {command}"
    )


@dataclass(frozen=True, slots=True)
class Seen:
    """What the record says of a heater: the rules that wait for a person, and how far it goes.

    ``last_s`` is the time of the last decision [UTC s], None without any; ``trouble`` says why the
    record could not be read.
    """

    waits: frozenset[str]
    last_s: float | None = None
    trouble: str = ""


def look(store: Path, heater: str) -> Seen:
    """What waits for an acknowledgement, by the lockouts' marks and by the last decision."""
    marked = LockoutMarks(store).of(heater)
    try:
        with closing(open_reader(store)) as reader:
            last = reader.last_decision(heater)
    except StoreMissing:
        return Seen(marked)
    except StoreFailed as error:
        return Seen(marked, trouble=str(error))
    if last is None:
        return Seen(marked)
    return Seen(marked | _waiting(last), last.last_s)


def _waiting(decision: Decision) -> frozenset[str]:
    found = set()
    for verdict in decision.verdicts:
        if verdict.rule == lockout.NAME and verdict.severity is Severity.LOCKOUT:
            found |= set(verdict.subject.split(", "))
        elif verdict.rule == removed_role.NAME and verdict.subject:
            # with what it names: another line may be lost before a service takes the request
            found.add(waiting(verdict.rule, verdict.subject))
        elif verdict.clears is Clears.ON_ACKNOWLEDGE or verdict.reason == "falling":
            found.add(verdict.rule)
    return frozenset(found)


def told(seen: Seen, heater: str, *, runs: bool, local: LocalTime) -> Iterator[str]:
    """What will come of the request, in sentences."""
    what = ", ".join(sorted(seen.waits)).replace("_", " ")
    if seen.trouble:
        yield f"The record cannot be read: {seen.trouble}"
    if what:
        yield f"Asked to acknowledge at {heater}: {what}."
    elif not seen.trouble:
        yield f"By the record nothing at {heater} waits for an acknowledgement."
    if runs and what:
        yield "The running service takes it at its next tick."
    elif runs:
        yield "The running service takes the request at its next tick and changes nothing by it."
    else:
        since = f"since {local.stamp(seen.last_s)}" if seen.last_s is not None else "here yet"
        later = (
            f"lifts {what}, and nothing that has come since" if what else "finds nothing to lift"
        )
        yield (
            f"No service runs on this site, and none has written a decision {since}. One that "
            f"starts later takes the request and {later}."
        )
    if what:
        yield "A lockout whose cause stands comes back at once: see `slabtide why`."

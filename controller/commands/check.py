"""``slabtide check``: read the three files, name every problem, or say what they come to."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator

from controller.calendar import sessions
from controller.clock import SystemClock
from controller.commands._shared import say
from controller.configuration import Configuration, ConfigurationError, Use, load_all
from controller.configuration.broker import exposure
from controller.local_time import WHEN_HELP, LocalTime, duration
from controller.records.limits import OUTERMOST, Limits
from controller.records.sessions import Session
from controller.records.site import OUTDOOR, Broker, Heater, Output, Role, Site, ZoneValve
from controller.session_names import session_name

SUMMARY = "check site.yaml, limits.yaml and bookings.yaml, and name every problem in them"
EXAMPLE = "slabtide check --site config/site.yaml"

_SHOWN_SESSIONS = 3
_LOOK_AHEAD_S = 366 * 86400.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    parser.add_argument(
        "--now",
        metavar="TIME",
        default="now",
        help=f"list the sessions that follow this moment: {WHEN_HELP} (default: %(default)s)",
    )


def run(args: argparse.Namespace) -> int:
    """Print every problem to standard error, or a short summary where there is none."""
    try:
        configuration = load_all(args.site, broker=Use.CHECKED)
        local = LocalTime(configuration.site.time_zone)
        now_s = local.parse(args.now, now_s=SystemClock().now().utc_s)
    except (ConfigurationError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    for line in _summary(configuration, local, now_s):
        say(line)
    return 0


def _summary(configuration: Configuration, local: LocalTime, now_s: float) -> Iterator[str]:
    site = configuration.site
    yield f"{', '.join(configuration.texts)}: no problem found"
    yield f"site {site.id}, {site.time_zone}, records in {configuration.store}"
    yield from _broker_lines(site.broker)
    for zone in site.zones:
        booked = sum(one.zone == zone.id for one in configuration.bookings.bookings)
        floor = f"{zone.floor.area_m2:g} m2 of floor"
        yield f"zone {zone.id} ({zone.name}): {floor}, bookings: {booked}"
        if zone.guessed:
            taken = f"of zone {zone.id} an ordinary workshop's values are taken for "
            yield ("warning: " if zone.is_rough else "") + taken + _listed(zone.guessed)
            if zone.is_rough:
                yield "  its first sessions are little better than a guess, until history says more"
    yield from (_heater_line(heater, site) for heater in site.heaters)
    outputs = {o.id: (o, h) for h in site.heaters for o in site.outputs_of(h)}
    yield from (_output_line(output, heater) for output, heater in outputs.values())
    for sensor in site.sensors:
        of = "" if sensor.subject == OUTDOOR else f" of {sensor.subject}"
        yield f"sensor {sensor.id}: {sensor.role}{of} [{sensor.unit}]"
    yield from _outlook_lines(site)
    fitted = {sensor.role for sensor in site.sensors if sensor.subject not in outputs}
    yield f"not fitted: {_listed(role for role in Role if role not in fitted)}"
    moved = dict(_moved(configuration.limits))
    tighter = (words for words, is_tighter in moved.items() if is_tighter)
    looser = (words for words, is_tighter in moved.items() if not is_tighter)
    yield f"limits tighter than the default: {_listed(tighter)}"
    yield f"limits looser than the default, within their span: {_listed(looser)}"
    yield from _coming(configuration, local, now_s)


def _broker_lines(broker: Broker) -> Iterator[str]:
    """How the broker is reached, and what that leaves open."""
    by = "no TLS" if broker.tls is None else "TLS"
    if broker.tls is not None and broker.tls.certificate_file is not None:
        by += " with a certificate of ours"
    user = "no user" if broker.user is None else f"user {broker.user}"
    if broker.password is not None and broker.password.credential is not None:
        user += f", password from the systemd credential {broker.password.credential}"
    elif broker.password is not None:
        user += f", password from {broker.password.file}"
    yield f"broker {broker.host}:{broker.port}, MQTT {broker.protocol}: {by}, {user}"
    if open_door := exposure(broker):
        yield f"warning: {open_door}"


def _output_line(output: Output, heater: Heater) -> str:
    if isinstance(output, ZoneValve):
        return f"valve {output.id} for {heater.id}: opens in {output.travel_s:g} s"
    return f"pump {output.id} of {heater.id}: runs on for {output.overrun_s / 60.0:g} min"


def _listed(words: Iterable[str]) -> str:
    return ", ".join(words) or "none"


def _heater_line(heater: Heater, site: Site) -> str:
    zones = _listed(zone.id for zone in site.zones_of(heater))
    relay = "its relay counts leases"
    if not heater.relay.leases and heater.relay.drop_out_s is not None:
        relay = f"its relay knows no leases and drops out after {heater.relay.drop_out_s:g} s"
    return f"heater {heater.id}: {heater.rating_w / 1000:g} kW for {zones}; {relay}"


def _outlook_lines(site: Site) -> Iterator[str]:
    """What the site file says of weather and prices to come, where it says anything."""
    if site.forecast is not None:
        quantities = _listed(f"{value.role} [{value.unit}]" for value in site.forecast.values)
        yield f"forecast from {site.forecast.topic}: {quantities}"
    if site.tariff is not None:
        price = f"{site.tariff.price_per_kwh:g} {site.tariff.currency}/kWh"
        yield f"tariff: {price}, bands with a price of their own: {len(site.tariff.bands)}"


def _moved(limits: Limits) -> Iterator[tuple[str, bool]]:
    """Every limit that is not at its default, in words, and whether it is tighter."""
    default = Limits()
    for name, bound in OUTERMOST.items():
        value, usual = getattr(limits, name) / bound.per_unit, getattr(default, name)
        usual /= bound.per_unit
        # a default at the low end of its span can only grow, and growing tightens it
        tighter = value > usual if usual == bound.lowest else value < usual
        if value != usual:
            yield f"{bound.key} {value:g} (default {usual:g})", tighter


def _coming(configuration: Configuration, local: LocalTime, now_s: float) -> Iterator[str]:
    coming = sessions(
        configuration.bookings,
        time_zone=configuration.site.time_zone,
        since_s=now_s,
        until_s=now_s + _LOOK_AHEAD_S,
    )
    if not coming:
        yield "no session within a year"
    for session in coming[:_SHOWN_SESSIONS]:
        yield _session_line(session, local)
    if (both := _first_overlap(coming)) is not None:
        names = " and ".join(session_name(one.id, one, local) for one in both)
        yield f"note: {names} overlap in {both[0].zone}: while both last the warmer one holds"


def _first_overlap(coming: Iterable[Session]) -> tuple[Session, Session] | None:
    """The first two sessions, by their starts, that share a zone and a time."""
    latest: dict[str, Session] = {}  # by zone: of those so far the one that ends last
    for session in coming:
        before = latest.get(session.zone)
        if before is not None and session.start_s < before.end_s:
            return before, session
        latest[session.zone] = session
    return None


def _session_line(session: Session, local: LocalTime) -> str:
    same_day = local.date(session.start_s) == local.date(session.end_s)
    end = local.clock(session.end_s) if same_day else local.moment(session.end_s)
    length = duration(session.end_s - session.start_s)
    title = f"  {session.title}" if session.title else ""
    return (
        f"session {session_name(session.id, session, local)} to {end}, {length}"
        f"  {session.zone}  {session.target_c:g} °C{title}"
    )

"""``slabtide rehearse``: the controller against a simulated workshop, as fast as it goes."""

from __future__ import annotations

import argparse
import json
import math
import sys
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from controller.calendar import sessions, to_utc_s
from controller.clock import SystemClock
from controller.codec import to_plain
from controller.commands._shared import at_least_one, day, number, say, whole_number
from controller.configuration import Configuration, load_all
from controller.local_time import duration
from controller.rehearsal.kinds import KINDS, of_kind

if TYPE_CHECKING:
    from collections.abc import Callable

    from controller.records.site import Heater, Sensor, Site
    from controller.rehearsal.building import Building
    from controller.rehearsal.controller_driver import Rehearsed
    from controller.rehearsal.runner import Span
    from controller.rehearsal.season import Order
    from controller.rehearsal.weather import Weather

SUMMARY = "run the controller against a simulated workshop and print how well it did"
EXAMPLE = "slabtide rehearse --start 2027-01-04 --days 28 --seed 3"

DEFAULT_START = "2027-01-04"
PROGRESS_S = 5.0
TICKS_S = (10, 15, 20, 30, 60)
"""Whole parts of a minute: the score is kept by the minute."""


class _Refused(Exception):
    """The arguments do not fit one another; the message says what would be right."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    add = parser.add_argument
    add("--bookings", type=Path, metavar="FILE", help="another bookings file")
    add("--building", metavar="FILE.py:FACTORY", help="a building of your own (default: the "
        "virtual workshop, built from the site file)")  # fmt: skip
    sorts = ", ".join(f"{name} ({kind.about})" for name, kind in KINDS.items())
    add("--kind", choices=tuple(KINDS), help="make the virtual workshop another sort of building "
        f"on the same floor area, description and heater included: {sorts}")  # fmt: skip
    add("--forecast", action="store_true", help="let the virtual workshop come with a weather "
        "forecast of usual skill, a new one every six hours (default: none)")  # fmt: skip
    add("--weather", type=Path, metavar="FILE.csv", help="hourly weather for the virtual workshop "
        "with the columns outdoor_c, irradiance_w_m2, wind_m_s, and time (with its offset from "
        "UTC) or, of a typical year, month, day, hour "
        "(default: a typical winter of Greensboro, North Carolina, October to April)")  # fmt: skip
    add("--start", type=day, default=date.fromisoformat(DEFAULT_START),
        metavar="DATE", help="first day, as 2027-01-04 (default: %(default)s)")  # fmt: skip
    add("--days", type=at_least_one, default=14, metavar="N",
        help="how many (default: %(default)s)")  # fmt: skip
    add("--seed", type=int, default=1, metavar="N", help="of people, doors, sensors and of how far "
        "the description is off (default: %(default)s)")  # fmt: skip
    add("--off", type=number(0.0, 50.0, "%"), default=25.0, metavar="PERCENT", help="how far each "
        "number of the description may be off, 0 to 50 (default: %(default)s)")  # fmt: skip
    add("--tick", type=int, choices=TICKS_S, default=10, metavar="S",
        help="simulated seconds between two decisions: 10 as in real use, up to 60 (default: "
        "%(default)s)")  # fmt: skip
    add("--replan", type=whole_number(360), default=15, metavar="MIN",
        help="simulated minutes between two plans (default: %(default)s)")  # fmt: skip
    add("--without-others", action="store_true", help="leave out what an owner would otherwise do")
    add("--json", type=Path, metavar="OUT", help="write the score to this file as well")


def run(args: argparse.Namespace) -> int:
    """Rehearse and print the score: 0 when it ran, 2 for input that cannot be used."""
    from controller.rehearsal.building import BuildingError
    from controller.rehearsal.score import as_text
    from controller.rehearsal.season import rehearse
    from controller.rehearsal.weather import WeatherError

    if not args.site.is_file():
        return _refuse(
            f"{args.site}: there is no such site file. A rehearsal takes the building's "
            "description from it: run in a folder that has config/site.yaml, or give --site."
        )
    configuration = load_all(args.site, bookings_path=args.bookings)
    try:
        order = _order(args, configuration)
        card = rehearse(order, _Progress())
    except (BuildingError, WeatherError, _Refused) as error:
        return _refuse(str(error))
    say(as_text(card, time_zone=configuration.site.time_zone))
    if args.json is not None:
        return _write_json(args.json, to_plain(card))
    return 0


def _refuse(message: str) -> int:
    print(message, file=sys.stderr)
    return 2


def _write_json(path: Path, card: object) -> int:
    try:
        path.write_text(json.dumps(_finite(card), indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        return _refuse(f"{path}: cannot be written: {error}")
    return 0


def _finite(value: Any) -> Any:
    """JSON knows no NaN: an unknown number is null."""
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _order(args: argparse.Namespace, configuration: Configuration) -> Order:
    """Everything settled before time starts to run."""
    from controller.rehearsal.controller_driver import Rehearsed
    from controller.rehearsal.runner import Span
    from controller.rehearsal.season import Order, fitted_site

    site, heater = _described(configuration.site, args.kind)
    span = Span(*_days(args.start, args.days, site.time_zone), float(args.tick))
    zones = {zone.id for zone in site.zones_of(heater)}
    booked = sessions(
        configuration.bookings, time_zone=site.time_zone, since_s=span.start_s, until_s=span.end_s
    )
    booked = tuple(s for s in booked if s.zone in zones)
    if not booked:
        last = args.start + timedelta(days=args.days - 1)
        raise _Refused(
            f"nothing is booked for heater {heater.id} from {args.start} to {last}; "
            "give other days by --start and --days, or other bookings by --bookings"
        )
    rehearsed = Rehearsed(site, heater, configuration.limits, booked, args.replan * 60.0)
    make, spec = _maker(args, rehearsed, span)
    fitted = fitted_site(site, heater, make(), spec=spec)
    _say_left_out(site.sensors, fitted.sensors, spec)
    rehearsed = Rehearsed(fitted, heater, configuration.limits, booked, args.replan * 60.0)
    return Order(rehearsed, span, make, spec, with_others=not args.without_others)


def _described(site: Site, kind: str | None) -> tuple[Site, Heater]:
    """The description to rehearse with, and which heater of it."""
    heater = site.heaters[0]
    if len(site.heaters) > 1:
        print(f"Several heaters: {heater.id} is rehearsed, the first one.", file=sys.stderr)
    if kind is None:
        return site, heater
    changed = of_kind(site, heater, KINDS[kind])
    heater = changed.heater(heater.id)
    print(f"As {KINDS[kind].about}; {heater.id} has {heater.rating_w / 1000.0:.1f} kW.",
          file=sys.stderr)  # fmt: skip
    return changed, heater


def _days(start: date, days: int, time_zone: str) -> tuple[float, float]:
    """From midnight to midnight, local time [UTC s], on whole minutes."""
    first, last = (
        datetime.combine(day, datetime.min.time()) for day in (start, start + timedelta(days=days))
    )
    return to_utc_s(first, time_zone), to_utc_s(last, time_zone)


def _say_left_out(described: tuple[Sensor, ...], fitted: tuple[Sensor, ...], spec: str) -> None:
    left_out = ", ".join(s.id for s in described if s not in fitted)
    if left_out:
        print(f"{spec} does not have these sensors, so they are not fitted: {left_out}",
              file=sys.stderr)  # fmt: skip


def _maker(
    args: argparse.Namespace, rehearsed: Rehearsed, span: Span
) -> tuple[Callable[[], Building], str]:
    """What makes the building, and how messages name it."""
    from controller.rehearsal.building import load_factory
    from controller.rehearsal.season import WORKSHOP, outside_maker, workshop_maker

    if args.building is not None:
        _refuse_the_workshops_own(args)
        factory = load_factory(args.building)
        booked = rehearsed.sessions
        return outside_maker(factory, booked, start_s=span.start_s), args.building
    weather = _weather(args.weather, rehearsed.site, span)
    make = workshop_maker(
        rehearsed,
        weather,
        start_s=span.start_s,
        seed=args.seed,
        spread=args.off / 100.0,
        with_forecast=args.forecast,
    )
    return make, WORKSHOP


def _refuse_the_workshops_own(args: argparse.Namespace) -> None:
    """An outside building is what it is: what shapes the virtual workshop does not go with it."""
    for name in ("weather", "kind", "forecast"):
        if getattr(args, name):
            raise _Refused(f"--{name} is for the virtual workshop; --building brings its own")


def _weather(path: Path | None, site: Site, span: Span) -> Weather:
    from controller.rehearsal.weather import DEFAULT_WEATHER, read_weather
    from controller.rehearsal.workshop import needed_weather

    weather = read_weather(path or DEFAULT_WEATHER)
    start = datetime.fromtimestamp(span.start_s, ZoneInfo(site.time_zone))
    standard = (start.utcoffset() or timedelta()) - (start.dst() or timedelta())
    placed = weather.placed_at(
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        utc_offset_h=standard.total_seconds() / 3600.0,
    )
    placed.check_span(*needed_weather(span.start_s, span.end_s))
    return placed


class _Progress:
    """One line on standard error, rewritten where it is a terminal, anew every few seconds else."""

    def __init__(self) -> None:
        self._clock = SystemClock()
        self._method = ""
        self._began_s = self._shown_s = self._clock.now().mono_s

    def __call__(self, method: str, share: float) -> None:
        """Show how far a method has come and how long it will still take."""
        now_s = self._clock.now().mono_s
        if method != self._method:
            self._method, self._began_s = method, now_s
        terminal = sys.stderr.isatty()
        done = terminal and share >= 1.0
        if now_s - self._shown_s < (0.5 if terminal else PROGRESS_S) and not done:
            return
        self._shown_s = now_s
        left = duration((now_s - self._began_s) * (1.0 - share) / max(share, 1e-9))
        line = f"{method}: {100.0 * share:.0f} %, {left} left"
        end = "\n" if done or not terminal else ""
        print(f"\r\x1b[K{line}" if terminal else line, end=end, file=sys.stderr, flush=True)

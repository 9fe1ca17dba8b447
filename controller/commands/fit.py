"""``slabtide fit``: what has been learnt of each zone, beside what its description says."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from controller.commands._score import score_lines, scored
from controller.commands._shared import say, say_json, with_store
from controller.configuration import Configuration
from controller.local_time import LocalTime, duration
from controller.records.plan import ParameterSet, ParameterSource, Value
from controller.records.site import Zone
from controller.store import Reader

SUMMARY = "show what has been learnt of each room's response, beside the day-one values"
EXAMPLE = "slabtide fit"

_Z90 = 1.6449
"""Quantile of the normal distribution for 5 % above and below."""


@dataclass(frozen=True, slots=True)
class Row:
    """How one learnt value is shown: in another unit, or as its inverse.

    ``positive`` values have a log-normal error, as they are fitted; the others a normal one.
    """

    name: str
    label: str
    unit: str
    digits: int
    positive: bool
    convert: Callable[[float], float]


_ROWS = (
    Row("time_constant_s", "time constant", "h", 1, True, lambda v: v / 3600),
    Row("gain_k_per_w", "heat loss", "W/K", 0, True, lambda v: 1 / v if v else math.inf),
    Row("dead_time_s", "dead time", "h", 1, True, lambda v: v / 3600),
    Row("offset_k", "offset", "K", 1, False, lambda v: v),
    Row("sun_gain_k_m2_per_w", "sun", "K", 1, False, lambda v: v * 100),
)

_LEGEND = (
    "time constant: without heat, 63 % of the warmth above outdoors is gone after this time",
    "heat loss: heat that keeps the room 1 K above outdoors; smaller is better insulated",
    "dead time: from switching the heater to the first effect on the room's air",
    "offset: how much warmer than outdoors the room settles without heater or sun",
    "sun: how much 100 W/m2 of lasting sunshine warms the room in the end",
)


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments."""
    parser.add_argument(
        "--json", action="store_true", help="one line of JSON per zone, with all stored numbers"
    )
    parser.add_argument(
        "--score",
        action="store_true",
        help="how far predictions 1, 6, 12 and 24 h ahead are off on the latest history, beside "
        "what could be said without a model",
    )


def run(args: argparse.Namespace) -> int:
    """Print what has been learnt of each zone."""

    def told(configuration: Configuration, reader: Reader, with_score: bool) -> int:
        return answer(configuration, reader, as_json=args.json, with_score=with_score)

    return with_store(args.site, lambda _: bool(args.score), told)


def answer(
    configuration: Configuration, reader: Reader, *, as_json: bool, with_score: bool = False
) -> int:
    """Print each zone's parameters in force and from the description, and how well they do."""
    from controller.commands._network import network_lines
    from controller.planning.parameters import day_one_set

    site = configuration.site
    local = LocalTime(site.time_zone)
    for zone in site.zones:
        sets = reader.parameters(zone.id)
        described = [s for s in sets if s.source is ParameterSource.DESCRIPTION]
        in_force = sets[-1] if sets else None
        day_one = described[-1] if described else day_one_set(site, zone, now_s=0.0)
        score = scored(configuration, reader, in_force or day_one) if with_score else None
        if as_json:
            told = {"zone": zone.id, "in_force": in_force, "day_one": day_one}
            say_json(told if score is None else {**told, "score": _score_or_why(score)})
            continue
        for line in fit_lines(in_force, day_one, local) if in_force else _nothing_yet(zone):
            say(line)
        for line in network_lines(site, zone, in_force) if in_force else ():
            say(line)
        for line in score_lines(score, local) if score is not None else ():
            say(line)
        say()
    if not as_json:
        for line in _LEGEND:
            say(line)
    return 0


def fit_lines(
    in_force: ParameterSet, day_one: ParameterSet | None, local: LocalTime
) -> Iterator[str]:
    """What has been learnt of one zone, line by line."""
    yield f"{in_force.zone}: {_origin(in_force, local)}"
    learnt = in_force.source is ParameterSource.HISTORY
    second = "from the building's description" if learnt and day_one else ""
    yield f"  {'':15}{'in force (90 % interval)':36}{second}".rstrip()
    for row in _ROWS:
        shown = _shown(row, in_force.values.get(row.name))
        beside = _shown(row, day_one.values.get(row.name)) if learnt and day_one else ""
        yield f"  {row.label:15}{shown:36}{beside}".rstrip()
    yield f"  {_errors(in_force)}"


def _nothing_yet(zone: Zone) -> Iterator[str]:
    yield f"{zone.id}: nothing yet; the service works out day-one values when it starts."


def _score_or_why(score: object) -> object:
    return {"none": score} if isinstance(score, str) else score


def _origin(in_force: ParameterSet, local: LocalTime) -> str:
    since = f"in force since {local.moment(in_force.made_s)}, set {in_force.id}."
    if in_force.source is ParameterSource.DESCRIPTION:
        return f"not learnt yet, worked out from the building's description; {since}"
    start_s, end_s = in_force.span_start_s, in_force.span_end_s
    if start_s is None or end_s is None:
        return f"learnt from history; {since}"
    span = f"{local.date(start_s)} to {local.date(end_s)}"
    return f"learnt from {duration(end_s - start_s)} of history ({span}); {since}"


def _shown(row: Row, value: Value | None) -> str:
    if value is None:
        return "-"
    ends = interval_90(value, positive=row.positive)
    low, high = (f"{v:.{row.digits}f}" for v in sorted(map(row.convert, ends)))
    return f"{row.convert(value.value):.{row.digits}f} {row.unit} ({low} to {high})"


def interval_90(value: Value, *, positive: bool) -> tuple[float, float]:
    """The 90 % interval of a learnt value, in its own unit.

    A positive one is taken as log-normal, with ``sd / value`` for the standard deviation of its
    logarithm: to first order the same thing, and never below zero.
    """
    if not positive or value.value <= 0.0:
        return value.value - _Z90 * value.sd, value.value + _Z90 * value.sd
    factor = math.exp(_Z90 * value.sd / value.value)
    return value.value / factor, value.value * factor


def _errors(in_force: ParameterSet) -> str:
    """The rms errors of forecasts over several hours, the only kind that counts here."""
    errors = dict(in_force.error_k or {}) or {
        name.removeprefix("residual_").removesuffix("h_k"): value.value
        for name, value in in_force.values.items()
        if name.startswith("residual_") and name.endswith("h_k")
    }
    if not errors:
        return "How far its predictions are off is not known before there is history."
    told = ", ".join(f"{errors[h]:.2f} K after {h} h" for h in sorted(errors, key=float))
    return f"Predictions of room air were off by {told} (rms)."

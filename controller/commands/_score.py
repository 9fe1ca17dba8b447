"""How far predictions were off, as ``slabtide fit --score`` tells it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from controller.calendar import sessions
from controller.configuration import Configuration
from controller.local_time import LocalTime, duration
from controller.records.plan import ParameterSet
from controller.store import Reader

if TYPE_CHECKING:
    from controller.planning.score import Errors, Score

LATEST_S = 1e11
"""After every reading [UTC s]."""


def scored(
    configuration: Configuration, reader: Reader, parameter_set: ParameterSet
) -> Score | str:
    """The score of a response on its zone's latest history, or why there is none.

    Where what the service has measured of late is too little, what was imported before is judged.
    """
    from controller.planning.score import SPAN_S, NothingToScoreError, air_sensors, score

    site = configuration.site
    sensors = air_sensors(site, site.zone(parameter_set.zone))
    spans = [reader.span_s(sensor, 0.0, LATEST_S) for sensor in sensors]
    ends_s = sorted({span[1] for span in spans if span is not None}, reverse=True)
    if not ends_s:
        return "room air was never measured"
    local, lacks = LocalTime(site.time_zone), []
    held = sessions(
        configuration.bookings,
        time_zone=site.time_zone,
        since_s=ends_s[-1] - SPAN_S,
        until_s=ends_s[0],
    )
    for last_s in ends_s:
        try:
            return score(reader, site, parameter_set, last_s=last_s, sessions=held)
        except NothingToScoreError as error:
            lacks.append(f"up to {local.date(last_s)}, {error}")
        except ValueError as error:
            return f"this version cannot read the parameters ({error})"
    return "; ".join(lacks)


def score_lines(score: Score | str, local: LocalTime) -> Iterator[str]:
    """The score as a table, line by line."""
    if isinstance(score, str):
        yield f"  No score: {score}."
        return
    length = duration(score.end_s - score.start_s)
    span = f"{length} of history, {local.date(score.start_s)} to {local.date(score.end_s)}"
    learnt = "not learnt from" if score.unseen else "learnt from too, as there is no later"
    if score.sun_left_out:
        learnt += "; irradiance, known of too little of it, left out"
    yield f"  Room air predicted less room air measured, in K, on {span} ({learnt}):"
    yield f"  {'ahead':8}{'this response':>22}{'it stays as it is':>20}{'as yesterday':>16}"
    yield f"  {'':8}{'rms':>8}{'mean':>7}{'starts':>7}{'rms':>20}{'rms':>16}"
    for hours, found in score.response.items():
        row = f"{found.rms_k:8.2f}{found.bias_k:+7.2f}{found.count:7d}"
        stays, yesterday = (_rms(of.get(hours)) for of in (score.stays, score.yesterday))
        yield f"  {hours:2d} h{'':4}{row}{stays:>20}{yesterday:>16}"


def _rms(errors: Errors | None) -> str:
    return "-" if errors is None else f"{errors.rms_k:.2f}"

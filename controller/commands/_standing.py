"""What keeps all planned heat away at this moment: said before anything that a plan promises."""

from __future__ import annotations

from collections.abc import Iterator

from controller.configuration import Configuration
from controller.interlocks import clock_jump, first_run, lockout, maximum_run, short_cycle
from controller.local_time import LocalTime
from controller.outputs import NAME as OUTPUTS
from controller.records.decision import Decision
from controller.records.safety import Severity, Verdict
from controller.store import Reader
from controller.verdict_sentences import verdict_sentence

PASSING = frozenset({clock_jump.NAME, first_run.NAME, maximum_run.NAME, short_cycle.NAME, OUTPUTS})
"""What withholds heat for minutes only."""
SILENT_S = 600.0
"""A service that runs writes a decision each minute; after so long without, none does [s]."""


def no_heat(configuration: Configuration, reader: Reader, now_s: float) -> Iterator[str]:
    """A line for each heater of which nothing that is planned comes true as things stand."""
    local = LocalTime(configuration.site.time_zone)
    for heater in configuration.site.heaters:
        last = reader.last_decision(heater.id)
        if last is None:
            continue
        if now_s - last.at.utc_s > SILENT_S:
            yield (
                f"NO HEAT from {heater.id}: nothing has been decided since "
                f"{local.moment(last.at.utc_s)}, so no service runs."
            )
        elif verdict := _withholding(last):
            yield f"NO HEAT from {heater.id}: {verdict_sentence(verdict)}"


def _withholding(last: Decision) -> Verdict | None:
    """What withheld heat at the last decision and lasts; a lockout before its cause."""
    locked = next((v for v in last.verdicts if v.rule == lockout.NAME and v.severity), None)
    if locked is not None:
        return locked
    deciding = last.deciding
    if deciding is None or deciding.rule in PASSING:
        return None
    withheld = deciding.severity in (Severity.OFF, Severity.TRIP, Severity.LOCKOUT)
    return deciding if withheld else None

"""Records to table rows and back. The only place that knows which column holds what."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any, TypeVar

from controller.codec import from_plain, to_plain
from controller.records.decision import (
    Command,
    Decision,
    Estimate,
    HeaterState,
    Notice,
    Readback,
    Repeated,
    Wish,
)
from controller.records.forecast import ForecastPoint
from controller.records.instant import Instant
from controller.records.outputs import OutputCommand
from controller.records.plan import Arrival, BlockReason, Plan, Point, Rung
from controller.records.readings import Quality, Sensed
from controller.records.safety import Verdict

T = TypeVar("T")

QUALITY_CODES = {Quality.GOOD: 0, Quality.UNKNOWN_AGE: 1, Quality.IMPLAUSIBLE: 2}
"""Stored numbers for qualities; never renumber."""

DECISION_COLUMNS = (
    "utc_ms, mono_ms, heater, zones, version, heat, sequence, issued_ms, lease_ms, "
    "wanted, rung, reason, session, plan, deciding_rule, deciding_severity, deciding_reason, "
    "deciding, sensed, estimates, verdicts, notices, outputs"
)

LATEST_S = 253_402_214_400.0
"""The last day of the year 9999: no later moment has a date [UTC s]."""
HIGHEST_SEQUENCE = 2**53
"""Above it a board that reads numbers as floating point cannot tell a sequence from the next."""

READ_FROM = "decision LEFT JOIN folded ON folded.decision = decision.id"
READ_COLUMNS = f"{DECISION_COLUMNS}, until_ms, folded.count"


def to_ms(seconds: float) -> int:
    """Whole milliseconds."""
    return round(seconds * 1000)


def to_s(milliseconds: int) -> float:
    """Seconds; ValueError where a damaged row holds another thing than a number."""
    if not isinstance(milliseconds, int | float):
        raise ValueError(f"expected milliseconds, found {milliseconds!r:.80}")
    return milliseconds / 1000


def to_json(value: object) -> str:
    """Compact JSON of a record. Non-finite numbers keep Python's spelling (``Infinity``)."""
    return json.dumps(to_plain(value), separators=(",", ":"), ensure_ascii=False)


def from_json(kind: type[T], text: str) -> T:
    """A record of ``kind``; ValueError where the text holds none."""
    return from_plain(kind, _loaded(text))


def _loaded(text: str) -> Any:
    """The JSON of a row; ValueError for whatever a damaged one holds instead."""
    try:
        return json.loads(text)
    except RecursionError as error:
        raise ValueError("nested too deeply") from error
    except TypeError as error:
        raise ValueError(str(error)) from error


def state_from(text: str) -> HeaterState:
    """A heater's state; ValueError where it is none, or no relay could go on from its numbers."""
    state = from_json(HeaterState, text)
    if not 0 <= state.sequence <= HIGHEST_SEQUENCE:
        raise ValueError(f"no command can have the sequence number {state.sequence!r:.30}")
    if not 0.0 <= state.issued_s <= LATEST_S:
        raise ValueError(f"no command can have been issued at {state.issued_s!r:.30} s")
    return state


def decision_row(decision: Decision) -> tuple[object, ...]:
    """The values of ``DECISION_COLUMNS``, in that order."""
    command, wish, deciding = decision.command, decision.wish, decision.deciding
    return (
        to_ms(decision.at.utc_s),
        to_ms(decision.at.mono_s),
        decision.heater,
        to_json(decision.zones),
        decision.version,
        command.heat,
        command.sequence,
        to_ms(command.issued_s),
        to_ms(command.lease_s),
        wish.heat,
        wish.rung.value,
        wish.reason.value,
        wish.session,
        wish.plan,
        None if deciding is None else deciding.rule,
        None if deciding is None else deciding.severity.value,
        None if deciding is None else deciding.reason,
        None if deciding is None else to_json(deciding),
        to_json(decision.sensed),
        to_json(decision.estimates),
        to_json(decision.verdicts),
        to_json(decision.notices),
        to_json(decision.outputs),
    )


def decision_from(row: Sequence[Any]) -> Decision:
    """The decision in a row of ``READ_COLUMNS``; ValueError where it holds none."""
    (utc_ms, mono_ms, heater, zones, version, heat, sequence, issued_ms, lease_ms) = row[:9]
    (wanted, rung, reason, session, plan) = row[9:14]
    (deciding, sensed, estimates, verdicts, notices, outputs) = row[17:23]
    until_ms, count = row[23:25]
    return Decision(
        at=Instant(utc_s=to_s(utc_ms), mono_s=to_s(mono_ms)),
        heater=heater,
        zones=from_json(tuple[str, ...], zones),
        version=version,
        sensed=from_json(tuple[Sensed, ...], sensed),
        estimates=from_json(tuple[Estimate, ...], estimates),
        wish=Wish(
            heat=bool(wanted),
            rung=Rung(rung),
            reason=BlockReason(reason),
            session=session,
            plan=plan,
        ),
        verdicts=from_json(tuple[Verdict, ...], verdicts),
        deciding=None if deciding is None else from_json(Verdict, deciding),
        command=Command(
            heater=heater,
            heat=bool(heat),
            sequence=sequence,
            issued_s=to_s(issued_ms),
            lease_s=to_s(lease_ms),
        ),
        notices=from_json(tuple[Notice, ...], notices),
        outputs=from_json(tuple[OutputCommand, ...], outputs),
        repeated=None if until_ms is None else Repeated(to_s(until_ms), count),
    )


def readback_from(row: Sequence[Any]) -> Readback:
    """A read-back from ``sequence, at_ms, heat, agrees``."""
    sequence, at_ms, heat, agrees = row
    return Readback(
        sequence=sequence,
        at_s=to_s(at_ms),
        heat=None if heat is None else bool(heat),
        agrees=None if agrees is None else bool(agrees),
    )


def plan_texts(plan: Plan) -> tuple[str, str]:
    """A plan without its points, and the points of each outlook in order."""
    bare = replace(plan, outlooks=tuple(replace(o, points=()) for o in plan.outlooks))
    return to_json(bare), to_json([outlook.points for outlook in plan.outlooks])


def plan_from(plan: str, points: str | None) -> Plan:
    """The plan of both texts; without the second its outlooks have no points."""
    bare = from_json(Plan, plan)
    if points is None:
        return bare
    of_outlooks = from_json(tuple[tuple[Point, ...], ...], points)
    outlooks = zip(bare.outlooks, of_outlooks, strict=True)
    return replace(bare, outlooks=tuple(replace(o, points=p) for o, p in outlooks))


def arrival_from(plan: str, session: str) -> Arrival | None:
    """What a stored plan promises a session; the rest of the plan is not looked at.

    None, too, where it cannot be read: old promises put new ones right, and are worth no plan.
    """
    try:
        told = (each for outlook in _loaded(plan)["outlooks"] for each in outlook["arrivals"])
        found = next((each for each in told if each["session"] == session), None)
        return None if found is None else from_plain(Arrival, found)
    except (LookupError, TypeError, ValueError):
        return None


_POINT_FIELDS = tuple(field.name for field in fields(ForecastPoint))


def forecast_text(points: Sequence[ForecastPoint]) -> str:
    """Points as lists by quantity; a quantity that no point tells is left out."""
    columns = {name: [getattr(point, name) for point in points] for name in _POINT_FIELDS}
    told = {name: column for name, column in columns.items() if any(v is not None for v in column)}
    return to_json(told)


def forecast_points(text: str) -> tuple[ForecastPoint, ...]:
    """The points in such a text; ValueError where it holds none."""
    columns = _loaded(text)
    try:
        untold = [None] * len(columns["at_s"])
        told = [columns.get(name, untold) for name in _POINT_FIELDS]
        # what is no number fails here, and not in the planner
        sum(columns["at_s"])
        sum(value for column in told for value in column if value is not None)
        points = tuple(map(ForecastPoint, *told))
    except (AttributeError, LookupError, TypeError) as error:
        raise ValueError(f"no forecast: {error!r}") from error
    return points

"""A timetable drawn in plain text: a line of half hours for each day."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, time, timedelta

from controller.calendar import to_utc_s
from controller.local_time import LocalTime
from controller.records.plan import Plan, Point

COLUMN_S = 1800.0
"""Time that one character stands for [s]."""
MARK_EVERY_H = 3
"""Distance of the hours marked above, and of the temperatures below [h]."""
_DAYS = 3
_OFF, _PARTLY, _ON = "·", "▄", "█"

LEGEND = (
    f"One column is half an hour: {_ON} heat, {_PARTLY} heat for part of it, {_OFF} none, = booked."
)


def draw(plan: Plan, local: LocalTime, *, now_s: float) -> list[str]:
    """Draw today and the next two days: hours, heat, then booking and room air of each zone."""
    zones = [outlook.zone for outlook in plan.outlooks]
    names = ["heat", *(f"{zone} booked" for zone in zones), *(f"{zone} °C" for zone in zones)]
    label_width = max([len(local.day(now_s)), *(len(name) for name in names)]) + 2
    lines: list[str] = []
    for days_on in range(_DAYS):
        columns = _columns(local, now_s, days_on)
        if columns and columns[0] < plan.until_s:
            day = local.day(columns[0])
            rows = [(day, _hours(columns, local)), *_rows(plan, columns, local)]
            lines += ["", *(f"{name:{label_width}}{row}".rstrip() for name, row in rows)]
    return lines[1:]


def _columns(local: LocalTime, now_s: float, days_on: int) -> list[float]:
    """Start of each column of a local day [UTC s]: 46 or 50 of them where clocks change."""
    day = local.at(now_s).date() + timedelta(days=days_on)
    start_s, end_s = (
        to_utc_s(datetime.combine(d, time()), local.time_zone) for d in (day, day + timedelta(1))
    )
    return [start_s + n * COLUMN_S for n in range(round((end_s - start_s) / COLUMN_S))]


def _rows(plan: Plan, columns: Sequence[float], local: LocalTime) -> list[tuple[str, str]]:
    rows = [("heat", "".join(_heat(plan, at_s) for at_s in columns))]
    for outlook in plan.outlooks:
        booked = "".join("=" if _booked(plan, outlook.zone, at_s) else " " for at_s in columns)
        air = _temperatures(outlook.points, columns, local)
        rows += [(f"{outlook.zone} booked", booked), (f"{outlook.zone} °C", air)]
    return rows


def _heat(plan: Plan, at_s: float) -> str:
    if at_s + COLUMN_S <= plan.made_s or at_s >= plan.until_s:
        return " "
    heated_s = sum(
        max(0.0, min(block.end_s, at_s + COLUMN_S) - max(block.start_s, at_s))
        for block in plan.blocks
        if block.heat
    )
    if heated_s < 1.0:
        return _OFF
    return _ON if heated_s > COLUMN_S - 1.0 else _PARTLY


def _booked(plan: Plan, zone: str, at_s: float) -> bool:
    return any(
        s.zone == zone and s.start_s < at_s + COLUMN_S and s.end_s > at_s for s in plan.sessions
    )


def _is_mark(at_s: float, local: LocalTime) -> bool:
    shown = local.at(at_s)
    return shown.minute == 0 and shown.hour % MARK_EVERY_H == 0


def _hours(columns: Sequence[float], local: LocalTime) -> str:
    return _spread(
        [f"{local.at(at_s):%H}" if _is_mark(at_s, local) else "" for at_s in columns],
    )


def _temperatures(points: Sequence[Point], columns: Sequence[float], local: LocalTime) -> str:
    """Expected room air at each marked hour, blank where the plan has no point near it."""
    told = []
    for at_s in columns:
        near = min(points, key=lambda p: abs(p.at_s - at_s), default=None)
        known = near is not None and abs(near.at_s - at_s) <= COLUMN_S / 2
        told.append(f"{near.air_c:.1f}" if near and known and _is_mark(at_s, local) else "")
    return _spread(told)


def _spread(texts: Sequence[str]) -> str:
    """Write each text from its own column on, over the empty ones after it."""
    line = ""
    for column, text in enumerate(texts):
        if text:
            line = line.ljust(column) + text
    return line

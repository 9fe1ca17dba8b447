"""The comparison as a table: pooled figures beside their targets, methods, buildings."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from controller.rehearsal.others import METHODS
from tests.bench.equal_readiness import AgainstTrueModel, against_true_model, point_of
from tests.bench.figures import Figures, Interval, Results, pooled
from tests.bench.jobs import (
    ASKED_PERCENT,
    CURVE_PERCENT,
    FORESIGHT,
    OWN,
    TRUE_MODEL,
    Job,
    Season,
    family,
)

Cells = tuple[str, ...]
NOTHING = "–"
LEAST_BUILDING_SHARE = 0.90
LEAST_SESSIONS = 300


@dataclass(frozen=True, slots=True)
class Target:
    """A figure and what it should come to with a forecast and without: at least, or at most."""

    name: str
    figure: Callable[[Figures], float | None]
    within: tuple[tuple[float, float], tuple[float, float]]
    written: Callable[[float], str]


def percent(share: float) -> str:
    """A share [0..1] as %."""
    return f"{100.0 * share:.1f} %"


def ratio(value: float) -> str:
    """A ratio of energies."""
    return f"{value:.3f}"


def _at_least(forecast: float, plain: float) -> tuple[tuple[float, float], tuple[float, float]]:
    return (forecast, math.inf), (plain, math.inf)


def _at_most(forecast: float, plain: float) -> tuple[tuple[float, float], tuple[float, float]]:
    return (-math.inf, forecast), (-math.inf, plain)


def _held(interval: Interval | None) -> float | None:
    return None if interval is None else interval.held


_COVERS = ((0.75, 0.85), (0.75, 0.85))
TARGETS: tuple[Target, ...] = (
    Target("sessions ready", lambda f: f.judged.ready_share, _at_least(0.97, 0.95), percent),
    Target(
        "energy against perfect foresight",
        lambda f: f.judged.energy_ratio, _at_most(1.08, 1.10), ratio,
    ),
    Target(
        "overshoot, 95th percentile over sessions",
        lambda f: f.overshoot_k, _at_most(1.5, 2.0), lambda k: f"{k:.2f} K",
    ),
    Target(
        "shortfall beyond foresight, mean a session",
        lambda f: f.shortfall_kh, _at_most(0.10, 0.15), lambda kh: f"{kh:.3f} K·h",
    ),
    Target("80 % interval holds, 12 h ahead", lambda f: _held(f.ahead), _COVERS, percent),
    Target(
        "80 % interval holds, preheat committed", lambda f: _held(f.committed), _COVERS, percent
    ),
    Target(
        "first 14 days: sessions ready",
        lambda f: f.first.ready_share, _at_least(0.88, 0.85), percent,
    ),
    Target("first 14 days: energy", lambda f: f.first.energy_ratio, _at_most(1.20, 1.20), ratio),
    Target(
        "coldest between sessions where foresight keeps 5 °C",
        lambda f: f.coldest_c, _at_least(4.5, 4.5), lambda c: f"{c:.1f} °C",
    ),
)  # fmt: skip
TRUE_MODEL_TARGET = Target(
    "energy against the true-model controller at equal readiness",
    lambda f: None, _at_most(1.03, 1.03), ratio,
)  # fmt: skip


def as_markdown(results: Results, seasons: Sequence[Season]) -> str:
    """Everything that was compared, as Markdown."""
    parts = [
        _pooled_part(results, seasons),
        _asked_part(results, seasons),
        _methods_part(results, seasons),
        _buildings_part(results, seasons),
        _missed_part(results, seasons),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _pooled_part(results: Results, seasons: Sequence[Season]) -> str:
    rows: list[Cells] = [("", "with a forecast", "target", "without a forecast", "target")]
    both = [
        pooled(results, seasons, OWN, forecast=heard, margin=ASKED_PERCENT)
        for heard in (True, False)
    ]
    for target in TARGETS:
        cells = [_against(target, target.figure(f) if f else None, i) for i, f in enumerate(both)]
        rows.append((target.name, *(cell for pair in cells for cell in pair)))
    rows.insert(3, _true_model_row(results, seasons))
    rows += [
        _plain_row("width of the interval, 12 h ahead", both, lambda f: f.ahead),
        _plain_row("width of the interval, preheat committed", both, lambda f: f.committed),
        _sessions_row(both),
    ]
    note = "\n\nBold: the target is not met."
    return "## slabtide, all seasons pooled\n\n" + _markdown(rows) + note


def _against(target: Target, value: float | None, column: int) -> tuple[str, str]:
    """A figure, in bold where it misses its target, and the target."""
    low, high = target.within[column]
    wanted = " to ".join(target.written(bound) for bound in (low, high) if math.isfinite(bound))
    sign = "" if math.isfinite(low) and math.isfinite(high) else "≥ " if high == math.inf else "≤ "
    if value is None:
        return NOTHING, sign + wanted
    text = target.written(value)
    return (text if low <= value <= high else f"**{text}**"), sign + wanted


def _true_model_row(results: Results, seasons: Sequence[Season]) -> Cells:
    cells: list[str] = []
    for column, heard in enumerate((True, False)):
        found = against_true_model(results, seasons, forecast=heard)
        value, wanted = _against(TRUE_MODEL_TARGET, found.ratio if found else None, column)
        cells += [_both(found) if found and found.ratio is None else value, wanted]
    return (TRUE_MODEL_TARGET.name, *cells)


def _both(found: AgainstTrueModel) -> str:
    """Where readiness is nowhere equal: its nearest point and slabtide's."""
    near = min(found.curve, key=lambda point: abs(point.ready - found.own.ready))
    return (
        f"{ratio(found.own.energy)} at {percent(found.own.ready)}; true model "
        f"{ratio(near.energy)} at {percent(near.ready)}"
    )


def _plain_row(
    name: str, both: Sequence[Figures | None], interval: Callable[[Figures], Interval | None]
) -> Cells:
    found = [interval(f) if f else None for f in both]
    widths = [f"{i.width_k:.2f} K ({i.sessions} sessions)" if i else NOTHING for i in found]
    return (name, widths[0], "", widths[1], "")


def _sessions_row(both: Sequence[Figures | None]) -> Cells:
    cells = [
        f"{f.judged.sessions} in {f.seasons} seasons, {f.first.sessions} before" if f else NOTHING
        for f in both
    ]
    return ("sessions counted", cells[0], f"≥ {LEAST_SESSIONS}", cells[1], f"≥ {LEAST_SESSIONS}")


def _asked_part(results: Results, seasons: Sequence[Season]) -> str:
    """Readiness asked for and got, its standard error as of independent sessions."""
    head = ("asked", "ready, forecast", "energy, forecast", "ready, no forecast")
    rows: list[Cells] = [(*head, "energy, no forecast")]
    for asked in CURVE_PERCENT:
        both = [
            pooled(results, seasons, OWN, forecast=heard, margin=asked) for heard in (True, False)
        ]
        if any(both):
            cells = [_asked_cells(found) for found in both]
            rows.append((f"{asked:g} %", *cells[0], *cells[1]))
    if len(rows) <= 2:  # one asked readiness is no curve
        return ""
    return "## Readiness asked for and got\n\n" + _markdown(rows)


def _asked_cells(found: Figures | None) -> tuple[str, str]:
    point = point_of(found)
    if found is None or point is None:
        return NOTHING, NOTHING
    error = math.sqrt(point.ready * (1.0 - point.ready) / found.judged.sessions)
    return f"{percent(point.ready)} ± {percent(error)}", ratio(point.energy)


_HEAD: Cells = (
    "method", "forecast", "margin", "seasons", "sessions", "ready", "energy", "overshoot 95 %",
    "shortfall", "coldest",
)  # fmt: skip


def _methods_part(results: Results, seasons: Sequence[Season]) -> str:
    rows = [_HEAD]
    for method, heard, margin in runs_in(results):
        found = pooled(results, seasons, method, forecast=heard, margin=margin)
        if found is not None:
            said = (method, "yes" if heard else "no", margin_in_words(method, margin))
            rows.append((*said, str(found.seasons), *_method_cells(found)))
    return "## Every method\n\n" + _markdown(rows)


def runs_in(results: Results) -> Iterator[tuple[str, bool, float]]:
    """Method, forecast and margin of what was run, in the order of the table."""
    order = (FORESIGHT, OWN, TRUE_MODEL, *(family(method) for method in METHODS))
    found = {(job.method, job.forecast, job.margin) for job in results}
    yield from sorted(found, key=lambda run: (order.index(run[0]), not run[1], run[2]))


def margin_in_words(method: str, margin: float) -> str:
    """A margin with what it means; foresight has none."""
    if method == OWN:
        return f"{margin:g} % asked"
    if method == TRUE_MODEL:
        return f"{margin:g} times the spread"
    for known in METHODS:
        if family(known) == method:
            return f"{margin:g} {known.margin_means}"
    return NOTHING


def _method_cells(found: Figures) -> Cells:
    written = [
        NOTHING if (value := target.figure(found)) is None else target.written(value)
        for target in (*TARGETS[:4], TARGETS[-1])
    ]
    return (str(found.judged.sessions), *written)


def _buildings_part(results: Results, seasons: Sequence[Season]) -> str:
    head = ("building", "sessions", "ready", "energy", "overshoot 95 %", "shortfall")
    rows: list[Cells] = [(*head, "coldest", "ready, no forecast", "energy, no forecast")]
    for season in seasons:
        heard, plain = (
            pooled(results, [season], OWN, forecast=forecast, margin=ASKED_PERCENT)
            for forecast in (True, False)
        )
        if heard or plain:
            first = _method_cells(heard) if heard else (NOTHING,) * 6
            second = _method_cells(plain)[1:3] if plain else (NOTHING,) * 2
            shares = [f.judged.ready_share if f else None for f in (heard, plain)]
            first = (first[0], _low(first[1], shares[0]), *first[2:])
            rows.append((season.name, *first, _low(second[0], shares[1]), second[1]))
    return f"## Each building (none below {percent(LEAST_BUILDING_SHARE)})\n\n" + _markdown(rows)


def _low(text: str, share: float | None) -> str:
    return text if share is None or share >= LEAST_BUILDING_SHARE else f"**{text}**"


def _missed_part(results: Results, seasons: Sequence[Season]) -> str:
    lines = []
    for season in seasons:
        best = results.get(Job(season, FORESIGHT))
        if best is not None:
            counted = f"{len(best.reachable)} of {len(best.sessions)} sessions count"
            lines.append(
                f"- {season.name}: {counted}; " + ("; ".join(best.missed) or "misses none")
            )
    return "## What perfect foresight misses\n\n" + "\n".join(lines) if lines else ""


def _markdown(rows: Sequence[Cells]) -> str:
    """Rows as a Markdown table, the first one its head, columns aligned in the source too."""
    widths = [max(3, *(len(row[column]) for row in rows)) for column in range(len(rows[0]))]
    lines = [
        "| " + " | ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) + " |"
        for row in rows
    ]
    rule = "| " + " | ".join("-" * width for width in widths) + " |"
    return "\n".join([lines[0], rule, *lines[1:]])

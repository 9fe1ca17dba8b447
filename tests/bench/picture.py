"""The comparison as a picture: readiness against energy, a curve for each method with a margin."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

from tests.bench.equal_readiness import Point, point_of
from tests.bench.figures import Results, pooled
from tests.bench.jobs import FORESIGHT, OWN, TRUE_MODEL, Season
from tests.bench.labels import Box, Labels
from tests.bench.table import runs_in

WIDTH, HEIGHT = 960, 450
_EDGE_ENERGY = (0.98, 1.24)
_EDGE_READY = (0.86, 1.005)
_AIM_ENERGY, _AIM_READY = 1.08, 0.97
_LIGHT = {
    "paper": "#ffffff", "ink": "#1d2327", "soft": "#66717a", "rule": "#e1e5e8", "aim": "#e3f1e6",
    "own": "#1b66c9", "true": "#b4560b",
}  # fmt: skip
_DARK = {
    "paper": "#14181b", "ink": "#e8ecef", "soft": "#9aa5ad", "rule": "#2c3338", "aim": "#1d3324",
    "own": "#6fb0ff", "true": "#f0a058",
}  # fmt: skip
_SHAPES = """
text { font: 12px system-ui, sans-serif; paint-order: stroke; stroke-width: 3; }
text.small { font-size: 11px; }
text.title { font-size: 14px; font-weight: 600; }
line { stroke-width: 1; }
line.lead { opacity: 0.6; }
polyline { fill: none; stroke-width: 2; stroke-linejoin: round; }
polyline.dashed { stroke-dasharray: 5 4; }
circle { stroke-width: 2; }
"""


def _style() -> str:
    """The style sheet; colours spelt out, as not every viewer knows variables."""
    dark = f"@media (prefers-color-scheme: dark) {{\n{_colours(_DARK)}\n}}\n"
    return f"{_SHAPES}{_colours(_LIGHT)}\n{dark}"


def _colours(of: dict[str, str]) -> str:
    marks = {"own": of["own"], "true": of["true"], "best": of["ink"], "other": of["soft"]}
    rules = [
        f"rect.paper {{ fill: {of['paper']}; }}",
        f"rect.aim {{ fill: {of['aim']}; }}",
        f"line.grid {{ stroke: {of['rule']}; }}",
        f"text {{ fill: {of['ink']}; stroke: {of['paper']}; }}",
        f"text.small {{ fill: {of['soft']}; }}",
    ]
    for name, colour in marks.items():
        rules.append(f"polyline.{name}, circle.{name}, line.{name} {{ stroke: {colour}; }}")
        rules.append(f"circle.{name}, text.{name} {{ fill: {colour}; }}")
        rules.append(f"circle.{name}.hollow {{ fill: {of['paper']}; }}")
    return "\n".join(rules)


@dataclass(frozen=True, slots=True)
class Curve:
    """One method with or without a forecast: its points by margin, how it is drawn and called."""

    method: str
    forecast: bool
    points: tuple[Point, ...]

    @property
    def style(self) -> str:
        """Its colour, as a class of the style sheet."""
        return {OWN: "own", TRUE_MODEL: "true", FORESIGHT: "best"}.get(self.method, "other")

    @property
    def dashed(self) -> bool:
        """Whether it stands beside one with a forecast."""
        return self.method in (OWN, TRUE_MODEL) and not self.forecast

    @property
    def full_name(self) -> str:
        """What it is called where there is room."""
        if self.method in (OWN, TRUE_MODEL):
            return f"{self.method}, {'with' if self.forecast else 'no'} forecast"
        return self.method

    @property
    def short_name(self) -> str:
        """What it is called among all; nothing beside its like with a forecast."""
        return "" if self.dashed else self.method.removeprefix("optimum start, ")


@dataclass(frozen=True, slots=True)
class Axis:
    """A stretch of values on a stretch of pixels; ``log`` for ratios that span much."""

    low: float
    high: float
    start_px: float
    end_px: float
    log: bool = False

    def at(self, value: float) -> float:
        """Where a value lies [px]."""
        low, high, value = (math.log(v) if self.log else v for v in (self.low, self.high, value))
        return self.start_px + (value - low) / (high - low) * (self.end_px - self.start_px)

    def holds(self, value: float) -> bool:
        """Whether a value lies on it."""
        return self.low <= value <= self.high


@dataclass(frozen=True, slots=True)
class Panel:
    """A part of the picture with axes of its own."""

    title: str
    across: Axis
    up: Axis
    energy_ticks: tuple[float, ...]
    ready_ticks: tuple[float, ...]
    aim: bool = False


def curves_of(results: Results, seasons: Sequence[Season]) -> list[Curve]:
    """A curve for each method, pooled over the seasons, in the order of the table."""
    found: dict[tuple[str, bool], list[Point]] = {}
    for method, forecast, margin in runs_in(results):
        point = point_of(pooled(results, seasons, method, forecast=forecast, margin=margin))
        if point is not None:
            found.setdefault((method, forecast), []).append(point)
    return [Curve(method, forecast, tuple(points)) for (method, forecast), points in found.items()]


def as_svg(results: Results, seasons: Sequence[Season]) -> str:
    """The picture: all methods on the left, the edge of what is possible on the right."""
    curves = curves_of(results, seasons)
    panels = [_whole(curves), _edge()]
    drawn = [line for panel in panels for line in _panel(panel, curves)]
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img">',
            "<title>Sessions ready against energy used</title>",
            f"<style>{_style()}</style>",
            f'<rect class="paper" width="{WIDTH}" height="{HEIGHT}"/>',
            *drawn,
            "</svg>\n",
        ]
    )


def _whole(curves: Sequence[Curve]) -> Panel:
    """A panel that holds every point."""
    points = [point for curve in curves for point in curve.points]
    least = min((point.energy for point in points), default=1.0)
    most = max((point.energy for point in points), default=1.0)
    lowest = min((point.ready for point in points), default=0.9)
    bottom = max(0.0, math.floor(lowest * 10.0 - 0.5) / 10.0)
    shares = tuple(n / 10 for n in range(round(bottom * 10), 11))
    across = Axis(min(0.72, 0.95 * least), max(1.3, 1.1 * most), 56, 470, log=True)
    ticks = tuple(t for t in (0.6, 0.8, 1.0, 1.25, 1.5, 2.0, 3.0, 4.0) if across.holds(t))
    return Panel("All methods", across, Axis(bottom, 1.02, 400, 44), ticks, shares)


def _edge() -> Panel:
    """A panel of what lies close to foresight, with the corner that is aimed at."""
    ready = (0.86, 0.88, 0.90, 0.92, 0.94, 0.96, 0.98, 1.0)
    across, up = Axis(*_EDGE_ENERGY, 540, 944), Axis(*_EDGE_READY, 400, 44)
    return Panel("Close to foresight", across, up, (1.0, 1.05, 1.1, 1.15, 1.2), ready, aim=True)


def _panel(panel: Panel, curves: Sequence[Curve]) -> list[str]:
    lines = _frame(panel)
    inside = [(curve, [p for p in curve.points if _holds(panel, p)]) for curve in curves]
    for curve, points in inside:
        lines += _curve(panel, curve, points)
    return lines + _labels(panel, inside)


def _labels(panel: Panel, inside: Sequence[tuple[Curve, Sequence[Point]]]) -> list[str]:
    """Each curve's name beside one of its points, clear of all points and lines."""
    across, up = panel.across, panel.up
    labels = Labels(Box(across.start_px, up.end_px - 4, across.end_px + 14, up.start_px))
    drawn = [(curve, [(across.at(p.energy), up.at(p.ready)) for p in points])
             for curve, points in inside if points]  # fmt: skip
    for _, spots in drawn:
        for x, y in spots:
            labels.keep_free(x, y)
        for start, end in pairwise(spots):
            labels.keep_line_free(start, end)
    lines = []
    for curve, spots in drawn:
        text = curve.full_name if panel.aim else curve.short_name
        if text:
            spot = labels.place(text, spots)
            if spot.far:
                end_y = spot.y - 4.0
                lines.append(_line(*spot.point, spot.x, end_y, style=f"lead {curve.style}"))
            lines.append(_text(spot.x, spot.y, text, spot.anchor, curve.style))
    return lines


def _holds(panel: Panel, point: Point) -> bool:
    return panel.across.holds(point.energy) and panel.up.holds(point.ready)


def _frame(panel: Panel) -> list[str]:
    """Title, grid with its numbers, names of the axes, and the corner aimed at."""
    across, up = panel.across, panel.up
    left, right, bottom, top = across.start_px, across.end_px, up.start_px, up.end_px
    lines = [_text(left, 22, panel.title, style="title")]
    if panel.aim:
        x, y, low_y = across.at(_AIM_ENERGY), up.at(1.0), up.at(_AIM_READY)
        size = f'x="{left:.1f}" y="{y:.1f}" width="{x - left:.1f}" height="{low_y - y:.1f}"'
        lines.append(f'<rect class="aim" {size}/>')
        lines.append(_text(left + 4, low_y - 5, "aim with a forecast", style="small"))
    for energy in panel.energy_ticks:
        lines.append(_line(across.at(energy), bottom, across.at(energy), top))
        lines.append(_text(across.at(energy), bottom + 18, f"{energy:g}", "middle", "small"))
    for ready in panel.ready_ticks:
        lines.append(_line(left, up.at(ready), right, up.at(ready)))
        lines.append(_text(left - 8, up.at(ready) + 4, f"{100 * ready:.0f} %", "end", "small"))
    told = "" if panel.aim else "; hollow: without a forecast"
    lines.append(_text(left, top - 8, f"sessions ready{told}", style="small"))
    middle = (left + right) / 2
    lines.append(_text(middle, bottom + 40, "energy, times that of perfect foresight", "middle"))
    return lines


def _curve(panel: Panel, curve: Curve, points: Sequence[Point]) -> list[str]:
    """Dots, joined in the order of the margin; hollow and dashed without a forecast."""
    spots = [(panel.across.at(p.energy), panel.up.at(p.ready)) for p in points]
    style = f"{curve.style} dashed" if curve.dashed else curve.style
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in spots)
    lines = [f'<polyline class="{style}" points="{path}"/>'] if len(spots) > 1 else []
    style = f"{curve.style} hollow" if curve.dashed else curve.style
    lines += [f'<circle class="{style}" cx="{x:.1f}" cy="{y:.1f}" r="4"/>' for x, y in spots]
    return lines


def _line(x1: float, y1: float, x2: float, y2: float, *, style: str = "grid") -> str:
    return f'<line class="{style}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def _text(x: float, y: float, text: str, anchor: str = "start", style: str = "plain") -> str:
    place = f'class="{style}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    return f"<text {place}>{escape(text)}</text>"

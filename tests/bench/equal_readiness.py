"""Energy beside another method's where both make the same share of sessions ready."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tests.bench.figures import Figures, Results, pooled
from tests.bench.jobs import ASKED_PERCENT, OWN, TRUE_MODEL, WIDE_TRUE_MARGINS, Job, Season


@dataclass(frozen=True, slots=True)
class Point:
    """Share of sessions ready [0..1] and energy over foresight's."""

    ready: float
    energy: float


@dataclass(frozen=True, slots=True)
class AgainstTrueModel:
    """slabtide's point, the true-model controller's curve, the ratio of energies where it is known.

    ``ratio`` is None where the curve does not reach slabtide's readiness.
    """

    own: Point
    curve: tuple[Point, ...]
    ratio: float | None


def against_true_model(
    results: Results, seasons: Sequence[Season], *, forecast: bool
) -> AgainstTrueModel | None:
    """Both over the seasons in which all their runs are there; None where there is none such."""
    margins = [
        margin
        for margin in WIDE_TRUE_MARGINS
        if any(Job(season, TRUE_MODEL, forecast, margin) in results for season in seasons)
    ]
    common = [
        season
        for season in seasons
        if Job(season, OWN, forecast, ASKED_PERCENT) in results
        and all(Job(season, TRUE_MODEL, forecast, margin) in results for margin in margins)
    ]
    own = pooled(results, common, OWN, forecast=forecast, margin=ASKED_PERCENT)
    point = point_of(own)
    curve = tuple(
        found
        for margin in margins
        if (
            found := point_of(pooled(results, common, TRUE_MODEL, forecast=forecast, margin=margin))
        )
    )
    if point is None or not curve:
        return None
    energy = energy_at(curve, point.ready)
    return AgainstTrueModel(point, curve, None if energy is None else point.energy / energy)


def point_of(figures: Figures | None) -> Point | None:
    """Where figures lie in the picture, None where no session or no energy was judged."""
    if figures is None:
        return None
    ready, energy = figures.judged.ready_share, figures.judged.energy_ratio
    return None if ready is None or energy is None else Point(ready, energy)


def energy_at(curve: Sequence[Point], ready: float) -> float | None:
    """Energy of a curve at a readiness, linear between its points; None outside them.

    Of points of one readiness the least energy counts.
    """
    least: dict[float, float] = {}
    for point in curve:
        least[point.ready] = min(point.energy, least.get(point.ready, point.energy))
    if ready in least:
        return least[ready]
    below = max((share for share in least if share < ready), default=None)
    above = min((share for share in least if share > ready), default=None)
    if below is None or above is None:
        return None
    weight = (ready - below) / (above - below)
    return (1.0 - weight) * least[below] + weight * least[above]

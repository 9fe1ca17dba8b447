"""Runs made up for the tests of figures, table and picture: what they come to is known."""

from __future__ import annotations

from collections.abc import Sequence

from controller.rehearsal.score import Prediction
from tests.bench.served import DAY_S, Held, Served

DAYS = 20
TARGET_C = 19.0
AFTER_S = 15 * DAY_S
"""Within the judged part of a season, past its first 14 days."""


def held(
    name: str,
    *,
    start_c: float = TARGET_C,
    highest_c: float = TARGET_C,
    shortfall_kh: float = 0.0,
    at_s: float = AFTER_S,
    ahead: tuple[float, float] | None = None,
) -> Held:
    """A session at 19 °C; ``ahead`` bounds what was expected of it 12 h before."""
    expected = None if ahead is None else Prediction(0.0, TARGET_C, *ahead)
    return Held(name, at_s, TARGET_C, start_c, highest_c, shortfall_kh, ahead=expected)


def served(
    sessions: Sequence[Held],
    *,
    day_kwh: float = 10.0,
    reachable: Sequence[str] = (),
    coldest_c: Sequence[float | None] = (8.0, 8.0, 8.0),
) -> Served:
    """A season of 20 days with the same energy each day."""
    return Served(
        start_s=0.0,
        energy_kwh=(day_kwh,) * DAYS,
        sessions=tuple(sessions),
        coldest_c=tuple(coldest_c),
        took_s=60.0,
        reachable=tuple(reachable),
    )

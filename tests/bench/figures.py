"""The figures of the comparison, of one season or of many pooled, all relative to foresight."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from controller.rehearsal.score import READY_BELOW_K, Prediction
from tests.bench.jobs import FORESIGHT, Job, Season
from tests.bench.served import DAY_S, Held, Served

FIRST_DAYS = 14
"""Days from the start of a season that are judged apart: the description alone is known in them."""
KEPT_C = 5.0
"""Room air between sessions counts in the hours in which foresight keeps this [°C]."""
OVERSHOOT_QUANTILE = 0.95

Results = Mapping[Job, Served]


@dataclass(frozen=True, slots=True)
class Interval:
    """How an 80 % interval of arrival temperature did: share held [0..1], mean width [K]."""

    held: float
    width_k: float
    sessions: int


@dataclass(frozen=True, slots=True)
class Stretch:
    """Sessions counted and ready, and energy beside foresight's, of a part of the seasons [kWh]."""

    sessions: int
    ready: int
    energy_kwh: float
    best_kwh: float

    @property
    def ready_share(self) -> float | None:
        """Share of the sessions that were ready [0..1]; None without sessions."""
        return self.ready / self.sessions if self.sessions else None

    @property
    def energy_ratio(self) -> float | None:
        """Energy over foresight's; None where foresight used none."""
        return self.energy_kwh / self.best_kwh if self.best_kwh > 0.0 else None


@dataclass(frozen=True, slots=True)
class Figures:
    """What one method came to in one season or several; None where nothing could be judged.

    Attributes
    ----------
    seasons : int
    judged, first : Stretch
        After and within the first `FIRST_DAYS`.
    overshoot_k : float or None
        95th percentile of each session's highest air above target and above foresight's highest.
    shortfall_kh : float or None
        Mean a session, beyond foresight's in the same session.
    ahead, committed : Interval or None
        Arrival as expected 12 h ahead, and when preheat was committed.
    coldest_c : float or None
        Between sessions, in hours in which foresight keeps `KEPT_C`.
    """

    seasons: int
    judged: Stretch
    first: Stretch
    overshoot_k: float | None
    shortfall_kh: float | None
    ahead: Interval | None
    committed: Interval | None
    coldest_c: float | None


@dataclass(frozen=True, slots=True)
class Beside:
    """A season as one method served it, and as foresight did."""

    served: Served
    best: Served

    def counted(self, *, first: bool) -> Iterator[tuple[Held, Held]]:
        """Sessions within or after the first days that foresight makes ready with a weaker heater.

        Each with foresight's own.
        """
        best = {held.session: held for held in self.best.sessions}
        border_s = self.served.start_s + FIRST_DAYS * DAY_S
        for held in self.served.sessions:
            if held.session in self.best.reachable and (held.start_s < border_s) == first:
                yield held, best[held.session]

    def coldest_c(self) -> float | None:
        """Lowest air between sessions where foresight keeps `KEPT_C` [°C]."""
        hours = zip(self.served.coldest_c, self.best.coldest_c, strict=True)
        kept = [c for c, best_c in hours if c is not None and (best_c or 0.0) >= KEPT_C]
        return min(kept, default=None)


def is_ready(held: Held) -> bool:
    """Whether room air was no more than 0.5 K below target at the start."""
    return held.start_c >= held.target_c - READY_BELOW_K


def pooled(
    results: Results, seasons: Iterable[Season], method: str, *, forecast: bool, margin: float
) -> Figures | None:
    """A method's figures over those of the seasons in which it and foresight were run."""
    found = []
    for season in seasons:
        served = results.get(Job(season, method, forecast, margin))
        best = results.get(Job(season, FORESIGHT))
        if served is not None and best is not None:
            found.append(Beside(served, best))
    return figures_of(found) if found else None


def figures_of(seasons: Sequence[Beside]) -> Figures:
    """The figures of some seasons, sessions and energies taken together."""
    pairs = [pair for beside in seasons for pair in beside.counted(first=False)]
    over_k = [_overshoot_k(held, best) for held, best in pairs]
    short_kh = [max(0.0, held.shortfall_kh - best.shortfall_kh) for held, best in pairs]
    coldest = [c for beside in seasons if (c := beside.coldest_c()) is not None]
    return Figures(
        seasons=len(seasons),
        judged=_stretch(seasons, first=False),
        first=_stretch(seasons, first=True),
        overshoot_k=float(np.quantile(over_k, OVERSHOOT_QUANTILE)) if over_k else None,
        shortfall_kh=float(np.mean(short_kh)) if short_kh else None,
        ahead=_interval([(held, held.ahead) for held, _ in pairs]),
        committed=_interval([(held, held.committed) for held, _ in pairs]),
        coldest_c=min(coldest, default=None),
    )


def _overshoot_k(held: Held, best: Held) -> float:
    """Highest room air above the target, beyond foresight's in the same session [K]."""
    return max(0.0, held.highest_c - max(held.target_c, best.highest_c))


def _stretch(seasons: Sequence[Beside], *, first: bool) -> Stretch:
    days = (0, FIRST_DAYS) if first else (FIRST_DAYS, None)
    helds = [held for beside in seasons for held, _ in beside.counted(first=first)]
    return Stretch(
        sessions=len(helds),
        ready=sum(is_ready(held) for held in helds),
        energy_kwh=sum(beside.served.energy_within_kwh(*days) for beside in seasons),
        best_kwh=sum(beside.best.energy_within_kwh(*days) for beside in seasons),
    )


def _interval(expected: Iterable[tuple[Held, Prediction | None]]) -> Interval | None:
    known = [(held.start_c, p) for held, p in expected if p is not None]
    if not known:
        return None
    return Interval(
        held=float(np.mean([p.low_c <= start_c <= p.high_c for start_c, p in known])),
        width_k=float(np.mean([p.high_c - p.low_c for _, p in known])),
        sessions=len(known),
    )

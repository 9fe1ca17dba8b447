"""How well the sessions were served: one row each, totals, and the other methods beside them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from controller.local_time import LocalTime
from controller.records.plan import Arrival
from controller.records.sessions import Session
from controller.rehearsal.diary import MINUTE_S, Diary

READY_BELOW_K = 0.5
"""A session is ready when room air is no more than this below its target at its start."""


@dataclass(frozen=True, slots=True)
class Prediction:
    """What a plan expected of a session: when it was made, and room air with its 80 % interval."""

    made_s: float
    air_c: float
    low_c: float
    high_c: float

    @classmethod
    def of(cls, arrival: Arrival, *, made_s: float) -> Prediction:
        """From a plan's arrival."""
        return cls(made_s, arrival.air_c, arrival.low_c, arrival.high_c)


@dataclass(frozen=True, slots=True)
class SessionScore:
    """One session held.

    Attributes
    ----------
    session, zone : str
    start_s, end_s : float
        UTC seconds.
    target_c, actual_c : float
        Wanted, and room air smoothed over 20 minutes at the start.
    predicted : Prediction or None
        As planned 12 h ahead, or at the first plan where there was none yet.
    ready : bool
        Whether it was no more than 0.5 K too cold at its start.
    shortfall_kh : float
        Smoothed room air below target - 0.5 K, summed over the session [K h].
    overshoot_k : float
        Highest smoothed room air above the target [K].
    energy_kwh : float
        Since the end of the session before, to the end of this one.
    heat_from_s, heat_until_s : float or None
        When heat was first and last on in that time.
    rise_after_k : float or None
        How far the room still rose after the last heat, up to the session's end.
    """

    session: str
    zone: str
    start_s: float
    end_s: float
    target_c: float
    actual_c: float
    predicted: Prediction | None
    ready: bool
    shortfall_kh: float
    overshoot_k: float
    energy_kwh: float
    heat_from_s: float | None
    heat_until_s: float | None
    rise_after_k: float | None


@dataclass(frozen=True, slots=True)
class Totals:
    """All sessions of one method together; NaN-free: means over no session are 0."""

    method: str
    sessions: int
    ready: int
    energy_kwh: float
    mean_overshoot_k: float
    shortfall_kh: float
    coldest_c: float

    @property
    def ready_share(self) -> float:
        """Share of sessions that were ready [0..1]."""
        return self.ready / self.sessions if self.sessions else 0.0


@dataclass(frozen=True, slots=True)
class Scorecard:
    """Everything a rehearsal says: sessions, totals by method, and remarks on the run."""

    sessions: tuple[SessionScore, ...]
    totals: tuple[Totals, ...]
    remarks: tuple[str, ...] = ()


def score_sessions(
    diary: Diary,
    sessions: Sequence[Session],
    predictions: Mapping[str, Prediction],
    *,
    start_s: float,
) -> tuple[SessionScore, ...]:
    """Score every session that ended while the diary was kept."""
    held = [s for s in sessions if s.start_s >= start_s and s.end_s <= diary.end_s + MINUTE_S]
    scores, before_s = [], start_s
    for session in held:
        since_s = min(before_s, session.start_s)
        scores.append(_score(diary, session, predictions.get(session.id), since_s=since_s))
        before_s = max(before_s, session.end_s)
    return tuple(scores)


def total(method: str, diary: Diary, scores: Sequence[SessionScore], *, start_s: float) -> Totals:
    """Sum one method up over the whole time, idle stretches included."""
    airs = [diary.air_c(zone, start_s, math.inf) for zone in {s.zone for s in scores}]
    coldest = [float(np.nanmin(air)) for air in airs if np.isfinite(air).any()]
    return Totals(
        method=method,
        sessions=len(scores),
        ready=sum(s.ready for s in scores),
        energy_kwh=diary.energy_kwh(start_s, diary.end_s),
        mean_overshoot_k=sum(s.overshoot_k for s in scores) / max(1, len(scores)),
        shortfall_kh=sum(s.shortfall_kh for s in scores),
        coldest_c=min(coldest, default=0.0),
    )


def _score(
    diary: Diary, session: Session, predicted: Prediction | None, *, since_s: float
) -> SessionScore:
    air_c = diary.smoothed_course_c(session.zone, session.start_s, session.end_s)
    actual_c = diary.smoothed_air_c(session.zone, session.start_s)
    ready_c = session.target_c - READY_BELOW_K
    spans = diary.on_spans(since_s, session.end_s)
    until_s = spans[-1][1] if spans else None
    return SessionScore(
        session=session.id,
        zone=session.zone,
        start_s=session.start_s,
        end_s=session.end_s,
        target_c=session.target_c,
        actual_c=actual_c,
        predicted=predicted,
        ready=actual_c >= ready_c,
        shortfall_kh=float(np.clip(ready_c - air_c, 0.0, None).sum() * MINUTE_S / 3600.0),
        overshoot_k=max(0.0, float(air_c.max()) - session.target_c) if air_c.size else 0.0,
        energy_kwh=diary.energy_kwh(since_s, session.end_s),
        heat_from_s=spans[0][0] if spans else None,
        heat_until_s=until_s,
        rise_after_k=_rise_k(diary, session, until_s),
    )


def _rise_k(diary: Diary, session: Session, until_s: float | None) -> float | None:
    """How far the smoothed room air rose from the last heat to its highest in the session [K]."""
    if until_s is None:
        return None
    times_s = np.arange(until_s, session.end_s + 1.0, 300.0)
    air_c = np.array([diary.smoothed_air_c(session.zone, float(t)) for t in times_s])
    known = air_c[np.isfinite(air_c)]
    return max(0.0, float(known.max() - known[0])) if known.size else None


def as_text(card: Scorecard, *, time_zone: str) -> str:
    """The scorecard as a table, one row a session, then one line a method, then remarks."""
    local = LocalTime(time_zone)
    rows = [_HEAD, *(_row(score, local) for score in card.sessions)]
    lines = _aligned(rows) if card.sessions else ["No session ended in this time."]
    lines += ["", *_aligned([_TOTAL_HEAD, *(_total_row(t) for t in card.totals)])]
    if held := _interval_line(card.sessions):
        lines += ["", held]
    return "\n".join([*lines, *(f"Note: {remark}" for remark in card.remarks)])


_HEAD = ("session", "wanted", "predicted (80 %)", "actual", "ready", "short", "over", "used",
         "heat from", "heat until", "then rose")  # fmt: skip
_TOTAL_HEAD = ("method", "ready", "used", "mean over", "short", "coldest room")


def _row(score: SessionScore, local: LocalTime) -> tuple[str, ...]:
    p = score.predicted
    predicted = f"{p.air_c:.1f} ({p.low_c:.1f} to {p.high_c:.1f})" if p else "-"
    return (
        f"{local.moment(score.start_s)} {score.zone}",
        f"{score.target_c:.1f} °C",
        predicted,
        f"{score.actual_c:.1f} °C",
        "yes" if score.ready else "NO",
        f"{score.shortfall_kh:.2f} K·h",
        f"{score.overshoot_k:.1f} K",
        f"{score.energy_kwh:.1f} kWh",
        "-" if score.heat_from_s is None else local.moment(score.heat_from_s),
        "-" if score.heat_until_s is None else local.moment(score.heat_until_s),
        "-" if score.rise_after_k is None else f"{score.rise_after_k:.1f} K",
    )


def _total_row(totals: Totals) -> tuple[str, ...]:
    return (
        totals.method,
        f"{totals.ready} of {totals.sessions} ({100 * totals.ready_share:.0f} %)",
        f"{totals.energy_kwh:.1f} kWh",
        f"{totals.mean_overshoot_k:.2f} K",
        f"{totals.shortfall_kh:.2f} K·h",
        f"{totals.coldest_c:.1f} °C",
    )


def _interval_line(scores: Sequence[SessionScore]) -> str:
    pairs = [(s.actual_c, s.predicted) for s in scores if s.predicted is not None]
    if not pairs:
        return ""
    inside = sum(p.low_c <= actual_c <= p.high_c for actual_c, p in pairs)
    return f"The 80 % interval held the actual room air in {inside} of {len(pairs)} sessions."


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]

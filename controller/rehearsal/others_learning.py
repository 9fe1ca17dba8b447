"""Optimum start: heat begins when the time left is the lead time that earlier preheats taught."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.records.sessions import Session
from controller.rehearsal.others_method import Method, Seen
from models.rate_start import WarmingRate
from models.regressed_start import TWO_PARAMETER, WEIGHTED, Form, Setback

LONGEST_LEAD_S = 72 * 3600.0
"""No lead time is longer, whatever was learnt; common practice, no source."""

LEAST_RISE_K = 2.0
"""A preheat that rose by less teaches nothing."""

UNKNOWN_OUTDOOR_C = 0.0
"""Taken for outdoor air where it is not measured: its coefficient then learns a constant."""


@dataclass(frozen=True, slots=True)
class Preheat:
    """A preheat under way: for which session, when and at what it began, and the latest air."""

    session: Session
    began_s: float
    setback: Setback
    latest_c: float

    @property
    def rise_k(self) -> float:
        """Rise of the room air so far [K]."""
        return self.latest_c - self.setback.air_c


class OptimumStart(Method):
    """Starts each preheat when it is due, and learns from how it went.

    The margin multiplies the lead time.
    """

    margin_means = "times the lead time"
    default_margin = 1.0
    MARGINS = (0.8, 1.0, 1.25, 1.6, 2.0)

    def prepare(self, zones: Sequence[str]) -> None:
        """No preheat is under way."""
        self._preheats: dict[str, Preheat] = {}
        self._begun: dict[str, str] = {}

    def wanted_c(self, session: Session, seen: Seen) -> float | None:
        """The target from the moment on at which the lead time is all that is left."""
        if seen.air_c is None:
            begun = self._begun.get(session.zone) == session.id
            return session.target_c if begun or seen.now_s >= session.start_s else None
        if self._begun.get(session.zone) != session.id:
            setback = self._setback(session, seen, seen.air_c)
            if not self.is_due(session, setback, seen.now_s):
                return None
            self._begun[session.zone] = session.id
            self._preheats[session.zone] = Preheat(session, seen.now_s, setback, seen.air_c)
        self._follow(session.zone, seen.air_c, seen.now_s)
        return session.target_c

    def ended(self, session: Session, now_s: float) -> None:
        """A preheat that never reached its target is taken to have gone on as it went."""
        preheat = self._preheats.pop(session.zone, None)
        if preheat is None or preheat.rise_k < LEAST_RISE_K:
            return
        missing_k = session.target_c - preheat.setback.air_c
        self.learn(preheat, seconds=(now_s - preheat.began_s) * missing_k / preheat.rise_k)

    def is_due(self, session: Session, setback: Setback, now_s: float) -> bool:
        """Whether heat must start now."""
        raise NotImplementedError

    def learn(self, preheat: Preheat, *, seconds: float) -> None:
        """A preheat came to its target, or would have, after so long."""
        raise NotImplementedError

    def _setback(self, session: Session, seen: Seen, air_c: float) -> Setback:
        outdoor_c = UNKNOWN_OUTDOOR_C if seen.outdoor_c is None else seen.outdoor_c
        return Setback(air_c, outdoor_c, self.limits.frost_on_c, session.target_c)

    def _follow(self, zone: str, air_c: float, now_s: float) -> None:
        """Take the latest air of a preheat, and learn once from one that reaches its target."""
        preheat = self._preheats.get(zone)
        if preheat is None:
            return
        preheat = Preheat(preheat.session, preheat.began_s, preheat.setback, air_c)
        self._preheats[zone] = preheat
        if air_c < preheat.setback.target_c:
            return
        del self._preheats[zone]
        if preheat.rise_k >= LEAST_RISE_K and now_s > preheat.began_s:
            self.learn(preheat, seconds=now_s - preheat.began_s)


class LeadTimeStart(OptimumStart):
    """Starts by a lead time that is worked out anew at each moment."""

    def is_due(self, session: Session, setback: Setback, now_s: float) -> bool:
        """Whether no more than the lead time is left."""
        lead_s = min(self.margin * self.lead_time_s(session.zone, setback), LONGEST_LEAD_S)
        return session.start_s - now_s <= max(0.0, lead_s)

    def lead_time_s(self, zone: str, setback: Setback) -> float:
        """How long the zone would take from here to its target, as far as is known [s]."""
        raise NotImplementedError


class LearntRate(LeadTimeStart):
    """Lead time = what is missing over a warming rate learnt from earlier preheats."""

    name = "optimum start, learnt rate"

    def prepare(self, zones: Sequence[str]) -> None:
        """The rate that an owner would assume."""
        super().prepare(zones)
        self._rates = dict.fromkeys(zones, WarmingRate())

    def rate_k_h(self, zone: str) -> float:
        """The rate learnt so far [K/h]."""
        return self._rates[zone].k_h

    def lead_time_s(self, zone: str, setback: Setback) -> float:
        """What is missing, at the rate learnt."""
        return self._rates[zone].lead_time_s(air_c=setback.air_c, target_c=setback.target_c)

    def learn(self, preheat: Preheat, *, seconds: float) -> None:
        """Move the rate."""
        zone, setback = preheat.session.zone, preheat.setback
        rise_k = setback.target_c - setback.air_c
        self._rates[zone] = self._rates[zone].learnt(rise_k=rise_k, seconds=seconds)


class _RegressedTime(LeadTimeStart):
    """Lead time linear in coefficients that recursive least squares refines."""

    form: Form

    def prepare(self, zones: Sequence[str]) -> None:
        """The form's first coefficients."""
        super().prepare(zones)
        self._known = dict.fromkeys(zones, self.form.recursion())

    def lead_time_s(self, zone: str, setback: Setback) -> float:
        """The form's time; none for a room that is warm enough."""
        if setback.air_c >= setback.target_c:
            return 0.0
        return 3600.0 * self._known[zone].predicted_h(self.form.terms(setback))

    def learn(self, preheat: Preheat, *, seconds: float) -> None:
        """Refine the coefficients."""
        zone, terms = preheat.session.zone, self.form.terms(preheat.setback)
        self._known[zone] = self._known[zone].learnt(terms, seconds / 3600.0)


class WeightedTime(_RegressedTime):
    """The published form that weighs room against outdoor temperature (1989)."""

    name = "optimum start, weighted preheat time"
    form = WEIGHTED


class TwoParameterTime(_RegressedTime):
    """The published recommendation of two parameters (2016)."""

    name = "optimum start, two-parameter preheat time"
    form = TWO_PARAMETER

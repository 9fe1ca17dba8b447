"""What the owner would otherwise do: plain on/off methods on the same building.

Each obeys the hard limits, protects from frost, and is a thermostat inside sessions. They differ
in when heat starts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from controller.records.limits import Limits
from controller.records.sessions import Session
from controller.records.site import Role
from controller.rehearsal.building import value_for

BAND_K = 0.5
"""Full switching band of a thermostat [K]."""
FIXED_LEAD_S = 36 * 3600.0
FIRST_RATE_K_H = 1.0
"""What an owner would assume of a room before the first preheat; common practice, no source."""
LONGEST_LEAD_S = 72 * 3600.0
_LEARNING_SHARE = 0.5
_LEAST_RATE_K_H = 0.05


class Thermostat:
    """On below the target, off above it, with a band; the hard limits come first."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._heating = False
        self._frost = False

    def heat(
        self, values: Mapping[str, float], wanted: Mapping[str, float | None], *, session: bool
    ) -> bool:
        """Whether to heat.

        Parameters
        ----------
        values : mapping of str to float
            What the building senses.
        wanted : mapping of str to float or None
            Target by zone [°C]; None where nothing is wanted.
        session : bool
            Whether a session runs: the floor surface limit is tighter then.
        """
        airs = {zone: value_for(values, Role.AIR, zone) for zone in wanted}
        slabs = [s for zone in wanted if (s := value_for(values, Role.SLAB, zone)) is not None]
        self._frost = self._frost_needed([*slabs, *(a for a in airs.values() if a is not None)])
        calls = [_below(air_c, wanted[zone], heating=self._heating) for zone, air_c in airs.items()]
        self._heating = (any(calls) or self._frost) and not self._too_hot(
            values, slabs, wanted, session=session
        )
        return self._heating

    def _frost_needed(self, temperatures_c: Sequence[float]) -> bool:
        limit_c = self._limits.frost_off_c if self._frost else self._limits.frost_on_c
        return any(value < limit_c for value in temperatures_c)

    def _too_hot(
        self,
        values: Mapping[str, float],
        slabs_c: Sequence[float],
        zones: Mapping[str, float | None],
        *,
        session: bool,
    ) -> bool:
        limits = self._limits
        surface_max_c = limits.surface_session_max_c if session else limits.surface_max_c
        surfaces = [value_for(values, Role.FLOOR_SURFACE, zone) for zone in zones]
        return any(slab_c > limits.slab_max_c for slab_c in slabs_c) or any(
            surface_c is not None and surface_c > surface_max_c for surface_c in surfaces
        )


def _below(air_c: float | None, target_c: float | None, *, heating: bool) -> bool:
    if air_c is None or target_c is None or not math.isfinite(air_c):
        return False
    return air_c < target_c + (BAND_K / 2 if heating else -BAND_K / 2)


class _Method:
    """A method over a thermostat: subclasses say when a zone is wanted warm ahead of a session."""

    name = ""

    def __init__(self, limits: Limits, sessions: Sequence[Session], zones: Sequence[str]) -> None:
        self._thermostat = Thermostat(limits)
        self._sessions = {zone: [s for s in sessions if s.zone == zone] for zone in zones}

    def heat(self, now_s: float, values: Mapping[str, float]) -> bool:
        """The command at this moment."""
        wanted: dict[str, float | None] = {}
        running = False
        for zone, booked in self._sessions.items():
            while booked and booked[0].end_s <= now_s:
                self.ended(booked.pop(0))
            air_c = value_for(values, Role.AIR, zone)
            session = booked[0] if booked else None
            wanted[zone] = None if session is None else self.wanted_c(session, now_s, air_c)
            running |= session is not None and session.start_s <= now_s
        return self._thermostat.heat(values, wanted, session=running)

    def wanted_c(self, session: Session, now_s: float, air_c: float | None) -> float | None:
        """Target for the zone of its running or next session, None while nothing is wanted."""
        raise NotImplementedError

    def ended(self, session: Session) -> None:
        """A session is over."""


class HeldAtTarget(_Method):
    """The room held at the next session's target day and night."""

    name = "always held at target"

    def wanted_c(self, session: Session, now_s: float, air_c: float | None) -> float | None:
        """Always the target."""
        return session.target_c


class FixedStart(_Method):
    """Heat from 36 h before each session to its end."""

    name = "fixed start 36 h ahead"

    def wanted_c(self, session: Session, now_s: float, air_c: float | None) -> float | None:
        """The target from a fixed time on."""
        return session.target_c if now_s >= session.start_s - FIXED_LEAD_S else None


@dataclass(slots=True)
class _Preheat:
    """A preheat under way: when and at what room air it began."""

    session: str
    began_s: float
    air_c: float


class LearntRate(_Method):
    """Optimum start: lead = what is missing over a warming rate learnt from earlier preheats."""

    name = "optimum start, learnt rate"

    def __init__(self, limits: Limits, sessions: Sequence[Session], zones: Sequence[str]) -> None:
        super().__init__(limits, sessions, zones)
        self._rates_k_h = dict.fromkeys(zones, FIRST_RATE_K_H)
        self._preheats: dict[str, _Preheat] = {}

    def rate_k_h(self, zone: str) -> float:
        """The rate learnt so far [K/h]."""
        return self._rates_k_h[zone]

    def wanted_c(self, session: Session, now_s: float, air_c: float | None) -> float | None:
        """The target once what is missing takes the time that is left."""
        if air_c is None:
            return session.target_c if now_s >= session.start_s else None
        preheat = self._preheats.get(session.zone)
        if preheat is None or preheat.session != session.id:
            missing_h = (session.target_c - air_c) / self._rates_k_h[session.zone]
            if session.start_s - now_s > min(missing_h * 3600.0, LONGEST_LEAD_S):
                return None
            preheat = _Preheat(session.id, now_s, air_c)
            self._preheats[session.zone] = preheat
        if air_c >= session.target_c:
            self._learn(session.zone, preheat, now_s, air_c)
        return session.target_c

    def ended(self, session: Session) -> None:
        """Forget a preheat that never reached its target."""
        self._preheats.pop(session.zone, None)

    def _learn(self, zone: str, preheat: _Preheat, now_s: float, air_c: float) -> None:
        """Take a preheat of at least 2 K up once, when it first reaches the target."""
        rise_k = air_c - preheat.air_c
        if rise_k < 2.0 or now_s <= preheat.began_s or math.isnan(preheat.air_c):
            return
        seen_k_h = max(_LEAST_RATE_K_H, rise_k / (now_s - preheat.began_s) * 3600.0)
        old_k_h = self._rates_k_h[zone]
        self._rates_k_h[zone] = old_k_h + _LEARNING_SHARE * (seen_k_h - old_k_h)
        preheat.air_c = math.nan


METHODS: tuple[type[_Method], ...] = (HeldAtTarget, FixedStart, LearntRate)
"""Every other method, in the order of the table. A new one is a class and a line here."""

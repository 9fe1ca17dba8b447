"""What the other methods share: a thermostat within the hard limits, and sessions to wait for."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

from controller.records.limits import Limits
from controller.records.sessions import Session
from controller.records.site import OUTDOOR, Role
from controller.rehearsal.building import value_for

BAND_K = 0.5
"""Full switching band of a thermostat [K]."""


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


@dataclass(frozen=True, slots=True)
class Seen:
    """What a method goes by at one moment; None where a sensor is lost or not fitted.

    Attributes
    ----------
    now_s : float
        UTC seconds.
    air_c, outdoor_c : float or None
        Room air of the zone, and outdoor air [°C].
    """

    now_s: float
    air_c: float | None
    outdoor_c: float | None


class Method:
    """A method over a thermostat: subclasses say when a zone is wanted warm ahead of a session.

    Parameters
    ----------
    limits : Limits
        The hard limits, frost protection's among them.
    sessions : sequence of Session
        In the order of their starts.
    zones : sequence of str
        What the heater warms.
    margin : float, optional
        Trades energy for readiness, in ``margin_means``; the method's own ``default_margin``
        where it is not given.

    Attributes
    ----------
    name : str
        With the default margin.
    MARGINS : tuple of float
        Margins worth comparing, for a curve of readiness against energy.
    """

    name: ClassVar[str]
    margin_means: ClassVar[str]
    default_margin: ClassVar[float]
    MARGINS: ClassVar[tuple[float, ...]]

    def __init__(
        self,
        limits: Limits,
        sessions: Sequence[Session],
        zones: Sequence[str],
        *,
        margin: float | None = None,
    ) -> None:
        self.margin = self.default_margin if margin is None else margin
        self.limits = limits
        self._thermostat = Thermostat(limits)
        self._sessions = {zone: [s for s in sessions if s.zone == zone] for zone in zones}
        self._heating = False
        self.prepare(zones)

    def prepare(self, zones: Sequence[str]) -> None:
        """What is known of each zone before anything is seen; nothing, where nothing is learnt."""

    def heat(self, now_s: float, values: Mapping[str, float]) -> bool:
        """The command at this moment."""
        outdoor_c = _known(value_for(values, Role.OUTDOOR, OUTDOOR))
        wanted: dict[str, float | None] = {}
        running = False
        for zone, booked in self._sessions.items():
            while booked and booked[0].end_s <= now_s:
                self.ended(booked.pop(0), now_s)
            seen = Seen(now_s, _known(value_for(values, Role.AIR, zone)), outdoor_c)
            self.watch(zone, seen, heating=self._heating)
            session = booked[0] if booked else None
            wanted[zone] = None if session is None else self.wanted_c(session, seen)
            running |= session is not None and session.start_s <= now_s
        self._heating = self._thermostat.heat(values, wanted, session=running)
        return self._heating

    def wanted_c(self, session: Session, seen: Seen) -> float | None:
        """Target for the zone of its running or next session, None while nothing is wanted."""
        raise NotImplementedError

    def watch(self, zone: str, seen: Seen, *, heating: bool) -> None:
        """A moment in a zone, and whether the heater was on until then, for methods that learn."""

    def ended(self, session: Session, now_s: float) -> None:
        """A session is over, for methods that learn."""


def _known(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None

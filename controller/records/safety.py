"""What the interlocks look at, and what they answer."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum

from controller.records.instant import Instant
from controller.records.limits import LEASE_S, Limits
from controller.records.outputs import PumpView
from controller.records.readings import Sensed
from controller.records.site import Role

Memory = Mapping[str, float]
"""What one rule remembers from tick to tick: stored, so that a power cut keeps it."""


class Severity(IntEnum):
    """How much a verdict weighs. The worst of all verdicts decides; there is no other order."""

    ALLOW = 0
    WARN = 1
    HOLD = 2
    """Keep the command of the last tick."""
    OFF = 3
    """No heat, unless frost protection asks for it."""
    FROST = 4
    """Frost protection asks for heat."""
    TRIP = 5
    """A hard limit is exceeded: no heat, frost protection included."""
    LOCKOUT = 6
    """A trip was confirmed: no heat until it is acknowledged."""


class Clears(StrEnum):
    """How a verdict ends."""

    NOTHING_TO_CLEAR = "nothing_to_clear"
    WHEN_CLEAR = "when_clear"
    AFTER_TIME = "after_time"
    ON_ACKNOWLEDGE = "on_acknowledge"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one rule says at one tick.

    ``reason`` is a code; ``values`` holds the numbers compared, named with their units.
    ``subject`` is the sensor, zone or heater concerned, empty where it is the heater itself.
    """

    rule: str
    severity: Severity
    reason: str
    clears: Clears = Clears.NOTHING_TO_CLEAR
    subject: str = ""
    values: Mapping[str, float] | None = None


@dataclass(frozen=True, slots=True)
class ZoneFacts:
    """What rules need to know of a zone's floor.

    Attributes
    ----------
    area_m2 : float
        Heated floor [m2].
    slab_j_k : float
        Heat stored by the slab for each kelvin [J/K].
    slab_to_surface_m2k_w : float
        Resistance from the slab core, at the tubes, to the floor's surface [m2K/W].
    """

    area_m2: float
    slab_j_k: float
    slab_to_surface_m2k_w: float


@dataclass(frozen=True, slots=True)
class LoopFacts:
    """What rules need to know of a loop.

    Attributes
    ----------
    zone : str
        The zone whose slab it runs through.
    dead_time_s : float
        Time in which its content goes round once, at most [s].
    low_bar, high_bar : float
        Gauge pressure below and above which there is no heat, the low one at ``cold_c`` [bar].
    cold_c : float
        Fluid temperature at which pressures are compared [°C].
    bar_per_k : float
        How much the pressure rises with the fluid's temperature [bar/K].
    """

    zone: str
    dead_time_s: float
    low_bar: float
    high_bar: float
    cold_c: float
    bar_per_k: float


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """What the owner has acknowledged: these rules, or with None whatever stands.

    A rule may stand there with what it named then, as ``waiting`` has it.
    """

    rules: frozenset[str] | None = frozenset()

    def covers(self, rule: str, subject: str = "") -> bool:
        """Whether a rule's lockout is lifted by it, or what a rule asked for is confirmed."""
        return self.rules is None or not self.rules.isdisjoint({rule, waiting(rule, subject)})


def waiting(rule: str, subject: str) -> str:
    """How a request names a rule together with what it named."""
    return f"{rule}: {subject}"


NOTHING, EVERYTHING = Acknowledged(), Acknowledged(None)


@dataclass(frozen=True, slots=True)
class SafetyView:
    """All that a rule may look at.

    Attributes
    ----------
    now : Instant
    elapsed_s : float
        Monotonic time since the last tick of this process, 0 at its first [s].
    utc_step_s : float
        How far the wall clock moved against the monotonic one since the last tick [s].
    limits : Limits
    sensed : tuple of Sensed
        Every fitted sensor of this heater, its loops, its zones and outdoors.
    zones : tuple of str
        The zones that the heater serves.
    rating_w : float
        The heater's rating [W].
    in_session : frozenset of str
        The zones in which a session runs.
    heat_wanted : bool
        What the plan asks for.
    heating : bool
        The last command.
    command_age_s : float
        Monotonic time since the last command changed [s].
    latched : frozenset of str
        Rules whose confirmed trip has not been acknowledged.
    relay_reachable : bool
        Whether a command can be delivered at this moment.
    relay_holds_s : float
        How long the last ON lasts at the relay by itself [s].
    gap_s : float, optional
        At the first tick of a process the time since the last stored one, where both clocks
        tell the same; None where it is not known [s].
    faulty : bool
        Whether something in this tick failed that nobody had thought of.
    pump : PumpView or None
        The circulation pump that is switched from here, with its own sensors.
    proofs : tuple of Sensed
        Every fitted sensor of this heater's pump and valves.
    switched : tuple of str
        Its pump and valves, as ``pump@`` or ``valve@`` and the id.
    acknowledged : Acknowledged
        What the owner has acknowledged since the last tick.
    supply_limit_c : float
        What the heater's own thermostat is set to [°C].
    zone_facts, loop_facts : mapping
        By zone, and by loop.
    shut : frozenset of str
        The zones whose valves are all told to be shut: no heat goes into their floors.
    """

    now: Instant
    elapsed_s: float
    utc_step_s: float
    limits: Limits
    sensed: tuple[Sensed, ...]
    zones: tuple[str, ...]
    rating_w: float
    in_session: frozenset[str]
    heat_wanted: bool
    heating: bool
    command_age_s: float
    latched: frozenset[str]
    relay_reachable: bool = True
    relay_holds_s: float = LEASE_S
    gap_s: float | None = None
    faulty: bool = False
    pump: PumpView | None = None
    proofs: tuple[Sensed, ...] = ()
    switched: tuple[str, ...] = ()
    acknowledged: Acknowledged = NOTHING
    supply_limit_c: float = math.inf
    zone_facts: Mapping[str, ZoneFacts] = field(default_factory=dict)
    loop_facts: Mapping[str, LoopFacts] = field(default_factory=dict)
    shut: frozenset[str] = frozenset()

    def fitted(self, role: Role, subject: str | None = None) -> tuple[Sensed, ...]:
        """Every sensor of a role, whatever its condition."""
        found = [s for s in self.sensed if s.role is role]
        return tuple(found if subject is None else [s for s in found if s.subject == subject])

    def values(self, role: Role, subject: str | None = None) -> tuple[float, ...]:
        """The values of a role that may be acted on."""
        return tuple(
            s.value for s in self.fitted(role, subject) if s.trusted and s.value is not None
        )

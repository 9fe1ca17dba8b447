"""A decision: everything from which its sentence is rendered, weeks later."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from controller.records.instant import Instant
from controller.records.outputs import OutputCommand
from controller.records.plan import BlockReason, Rung
from controller.records.readings import Sensed
from controller.records.safety import Memory, Severity, Verdict


@dataclass(frozen=True, slots=True)
class Wish:
    """What planning asks for before any interlock is heard."""

    heat: bool
    rung: Rung
    reason: BlockReason
    session: str | None = None
    plan: str | None = None


@dataclass(frozen=True, slots=True)
class Estimate:
    """Best knowledge of one zone now and at the session aimed at, with an 80 % interval [°C]."""

    zone: str
    air_c: float | None
    slab_c: float | None
    parameter_set: str
    arrival_c: float | None = None
    arrival_low_c: float | None = None
    arrival_high_c: float | None = None


@dataclass(frozen=True, slots=True)
class Command:
    """What the relay is told. An ON lasts ``lease_s`` at the relay and not a second longer.

    ``issued_s`` never goes back, whatever the wall clock does.
    """

    heater: str
    heat: bool
    sequence: int
    issued_s: float
    lease_s: float


class NoticeKind(StrEnum):
    """Standing facts that the owner should know, beside the verdicts."""

    KEPT_LAST_CONFIGURATION = "kept_last_configuration"
    CONFIGURATION_LOADED = "configuration_loaded"
    PLANNER_FAILED = "planner_failed"
    TARGET_OUT_OF_REACH = "target_out_of_reach"
    BUILDING_CHANGED = "building_changed"
    BROKER_EXPOSED = "broker_exposed"
    READINGS_REJECTED = "readings_rejected"
    READINGS_LOST = "readings_lost"
    ACKNOWLEDGED = "acknowledged"
    NOT_ACKNOWLEDGED = "not_acknowledged"
    STARTED = "started"
    STOPPED = "stopped"
    STORE_FAILED = "store_failed"
    PUMP_STANDS = "pump_stands"
    UNEXPECTED_ERROR = "unexpected_error"
    HEAT_AFTER_OFF = "heat_after_off"
    PRESSURE_FALLING = "pressure_falling"
    PRESSURE_IMPLAUSIBLE = "pressure_implausible"
    NO_POWER = "no_power"
    HEAT_NOT_TAKEN = "heat_not_taken"
    POWER_IMPLAUSIBLE = "power_implausible"
    FROST_NOT_SENT = "frost_not_sent"
    FROST_WAITS = "frost_waits"
    FROST_BLIND = "frost_blind"
    SENSOR_LOST = "sensor_lost"
    LOCKED_OUT = "locked_out"
    RELAY_STAYS_OFF = "relay_stays_off"


@dataclass(frozen=True, slots=True)
class Notice:
    """A standing fact with its text; ``alarm`` where somebody should look."""

    kind: NoticeKind
    text: str
    alarm: bool = False


@dataclass(frozen=True, slots=True)
class Repeated:
    """That the same was decided again, in rows that are no longer kept one by one.

    ``until_s`` is the time of the last of them [UTC s], ``count`` how many they were.
    """

    until_s: float
    count: int


@dataclass(frozen=True, slots=True)
class Decision:
    """One heater, one tick: what was known, wanted, ruled and commanded, pump and valves too.

    ``repeated`` is there only of an old one that stands for others as well.
    """

    at: Instant
    heater: str
    zones: tuple[str, ...]
    version: str
    sensed: tuple[Sensed, ...]
    estimates: tuple[Estimate, ...]
    wish: Wish
    verdicts: tuple[Verdict, ...]
    deciding: Verdict | None
    command: Command
    notices: tuple[Notice, ...] = ()
    outputs: tuple[OutputCommand, ...] = ()
    repeated: Repeated | None = None

    def changed_from(self, other: Decision | None) -> bool:
        """Whether a new row is due: command, reason, verdicts, plan, booking, notices, outputs."""
        return other is None or self._gist() != other._gist()

    def _gist(self) -> tuple[object, ...]:
        verdicts = {(v.rule, v.severity, v.reason, v.subject) for v in self.verdicts}
        outputs = tuple((o.output, o.on, o.reason) for o in self.outputs)
        return (self.command.heat, self.wish, frozenset(verdicts), self.notices, outputs)

    @property
    def last_s(self) -> float:
        """The last moment at which this was decided [UTC s]."""
        return self.at.utc_s if self.repeated is None else self.repeated.until_s

    def with_command(self, command: Command) -> Decision:
        """The same decision with another command."""
        return replace(self, command=command)


@dataclass(frozen=True, slots=True)
class Readback:
    """What the relay said of itself after a command. ``heat`` is None where it said nothing."""

    sequence: int
    at_s: float
    heat: bool | None
    agrees: bool | None


@dataclass(frozen=True, slots=True)
class HeaterState:
    """All that must survive a power cut for one heater, beside the decisions."""

    sequence: int = 0
    issued_s: float = 0.0
    heating: bool = False
    latched: frozenset[str] = frozenset()
    memories: Mapping[str, Memory] | None = None
    ticked: Instant | None = None
    """When the tick was that it was stored with."""


__all__ = [
    "Command",
    "Decision",
    "Estimate",
    "HeaterState",
    "Notice",
    "NoticeKind",
    "Readback",
    "Repeated",
    "Severity",
    "Wish",
]

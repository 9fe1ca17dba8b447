"""A plan: the timetable of a heater's on-times and what it is expected to do to the rooms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from controller.records.sessions import Session


class Rung(StrEnum):
    """Which link of the fallback chain a decision stands on, best first."""

    PROGRAMME = "programme"
    """A valid timetable from the planner."""
    LEAD_TIME = "lead_time"
    """The first-order lead time, worked out in the guard itself."""
    THERMOSTAT = "thermostat"
    """A plain thermostat inside sessions."""
    FROST_ONLY = "frost_only"
    """Nothing to go by: frost protection alone."""


class BlockReason(StrEnum):
    """Why a block of the timetable is there."""

    PREHEAT = "preheat"
    HOLD = "hold"
    COAST_UP = "coast_up"
    """Off before the session starts: heat in the slab still arrives."""
    RUN_OUT = "run_out"
    """Off before the session ends: the slab carries the room to the end."""
    FROST_FLOOR = "frost_floor"
    IDLE = "idle"


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch of the timetable with one command (UTC seconds)."""

    start_s: float
    end_s: float
    heat: bool
    reason: BlockReason
    session: str | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """Expected room air at one time, with the bounds of its 80 % interval [°C]."""

    at_s: float
    air_c: float
    low_c: float
    high_c: float


@dataclass(frozen=True, slots=True)
class Arrival:
    """What a session will find at its start: room air with its 80 % interval, and the lead time.

    ``reached_s`` is when the target would be reached at full heat where it cannot be in time;
    None where it is, or never would be. ``lead_s`` is from the start of preheat to the session.
    ``learnt_k`` is what sessions already held have added to ``air_c``, and ``widened`` how many
    times as wide they have made the interval: both are in it already.
    """

    session: str
    target_c: float
    air_c: float
    low_c: float
    high_c: float
    reachable: bool
    reached_s: float | None = None
    lead_s: float | None = None
    lead_low_s: float | None = None
    lead_high_s: float | None = None
    learnt_k: float = 0.0
    widened: float = 1.0


@dataclass(frozen=True, slots=True)
class ZoneOutlook:
    """The plan's expectation for one zone, on the plan's own slots."""

    zone: str
    parameter_set: str
    points: tuple[Point, ...]
    arrivals: tuple[Arrival, ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """A heater's timetable from ``made_s`` to ``until_s``, and the sessions it was made for.

    ``gives`` names the zones that its heat is for: the valves of the others stay shut. Where it is
    empty it is for all.
    """

    id: str
    heater: str
    made_s: float
    until_s: float
    blocks: tuple[Block, ...]
    outlooks: tuple[ZoneOutlook, ...]
    sessions: tuple[Session, ...] = ()
    gives: tuple[str, ...] = ()

    def block_at(self, utc_s: float) -> Block | None:
        """The block that holds this moment, None outside the plan."""
        for block in self.blocks:
            if block.start_s <= utc_s < block.end_s:
                return block
        return None


class ParameterSource(StrEnum):
    """Where learnt values come from."""

    DESCRIPTION = "description"
    HISTORY = "history"


@dataclass(frozen=True, slots=True)
class Value:
    """A learnt number with its standard error, in the unit its name carries."""

    value: float
    sd: float


@dataclass(frozen=True, slots=True)
class ParameterSet:
    """The parameters of one zone's model as stored: plain numbers and the data behind them.

    ``error_k`` maps a horizon in hours (as text) to the rms of multi-step errors on held-back
    history [K]; empty before there is any history.
    """

    id: str
    zone: str
    model: str
    source: ParameterSource
    made_s: float
    values: Mapping[str, Value]
    span_start_s: float | None = None
    span_end_s: float | None = None
    error_k: Mapping[str, float] | None = None

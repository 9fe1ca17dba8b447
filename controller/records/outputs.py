"""What is switched beside the heat: what a tick knows of it, what it tells it, and why."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from controller.records.readings import Sensed


class OutputReason(StrEnum):
    """Why a pump or valve is told what it is told."""

    HEAT = "heat"
    """Heat is asked for: the way must be open and the pump proven before it comes."""
    OVERRUN = "overrun"
    """Heat has ended, and what is left of it is carried off."""
    TRIP = "trip"
    """Something is too hot, or heats after an OFF."""
    FROST = "frost"
    """Frost cannot be ruled out and there may be no heat: fluid that moves freezes later."""
    EXERCISE = "exercise"
    """It has stood for weeks, and what stands seizes."""
    WAITING = "waiting"
    """The pump waits until a loop is open."""
    RESTING = "resting"
    """The pump was not proven to run, and is left alone before it is tried again."""
    IDLE = "idle"


@dataclass(frozen=True, slots=True)
class OutputCommand:
    """What a pump or valve is told; an ON lasts ``lease_s`` at a relay that counts leases [s]."""

    output: str
    on: bool
    reason: OutputReason
    sequence: int
    issued_s: float
    lease_s: float


@dataclass(frozen=True, slots=True)
class PumpView:
    """A pump as the interlocks see it.

    Attributes
    ----------
    id : str
    told_s : float or None
        Time since it was told ON, None where it is told OFF [s].
    proof_s : float
        Time in which it must be proven [s].
    proven_above_w : float or None
        Power above which it turns [W].
    proofs : tuple of Sensed
        Its own sensors.
    """

    id: str
    told_s: float | None
    proof_s: float
    proven_above_w: float | None
    proofs: tuple[Sensed, ...]

"""The pump is proven before heat: a boiler without flow boils.

A pump that is known to stand when it should run withholds all heat, frost heat too: it would
warm nothing but the boiler. One of which nothing is known withholds all but frost heat, as every
unknown reading does. The alarm stays until the pump has been seen to run.
"""

from __future__ import annotations

import math
from enum import Enum

from controller.interlocks.rule import allow
from controller.records.outputs import PumpView
from controller.records.readings import Sensed
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict
from controller.records.site import Role

NAME = "pump_proof"
SPIN_UP_S = 10.0
"""A pump that is read as standing so soon after its start says nothing yet [s]."""

SENTENCES = {
    "not_fitted": "No circulation pump is switched from here.",
    "clear": "The pump is not asked to run.",
    "starting": "The pump has just been told to run.",
    "runs": "The pump is proven to run.",
    "stands": "The pump was told to run and does not ({subject}): no heat, frost protection "
    "included. It is tried again every few minutes. A hard-wired frost stat must guard the pipes "
    "now.",
    "unknown": "The pump was told to run {told_s:.0f} s ago, and {subject} does not tell whether "
    "it does: no heat but frost protection.",
}


class Proof(Enum):
    """What is known of a pump that was told to run."""

    RUNS = "runs"
    STANDS = "stands"
    UNKNOWN = "unknown"


def proof(pump: PumpView) -> tuple[Proof, str]:
    """What a pump's sensors say of it, and the sensor that speaks against it or is silent.

    Where several are fitted all must say that it runs, by readings from after its start: the
    relay's own report shows a closed contact alone.
    """
    told_s = pump.told_s
    if told_s is None:
        return Proof.UNKNOWN, pump.id
    for sensed in pump.proofs:
        tells = sensed.trusted and told_s - sensed.old_s >= SPIN_UP_S
        if tells and not _says_runs(pump, sensed):
            return Proof.STANDS, sensed.sensor
    for sensed in pump.proofs:
        tells = sensed.trusted and sensed.old_s <= told_s
        if not tells or not _says_runs(pump, sensed):
            return Proof.UNKNOWN, sensed.sensor
    return Proof.RUNS if pump.proofs else Proof.UNKNOWN, pump.id


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Trip where a pump that was told to run is known to stand, until it has been seen to run."""
    pump = view.pump
    if pump is None:
        return allow(NAME, "not_fitted"), {}
    found, sensor = proof(pump)
    if found is Proof.RUNS:
        return allow(NAME, "runs"), {}
    told_s = -math.inf if pump.told_s is None else pump.told_s
    late = told_s >= pump.proof_s
    if late and found is Proof.UNKNOWN:  # what it once did is not known of it now
        values = {"told_s": told_s}
        return Verdict(NAME, Severity.OFF, "unknown", Clears.WHEN_CLEAR, sensor, values), {}
    if late or memory.get("stood", 0.0):
        return Verdict(NAME, Severity.TRIP, "stands", Clears.WHEN_CLEAR, sensor), {"stood": 1.0}
    return allow(NAME, "clear" if pump.told_s is None else "starting"), {}


def _says_runs(pump: PumpView, sensed: Sensed) -> bool:
    value = sensed.measured
    if sensed.role is Role.POWER:
        return pump.proven_above_w is not None and value > pump.proven_above_w
    return value >= 0.5

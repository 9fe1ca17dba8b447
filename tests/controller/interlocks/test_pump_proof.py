"""A pump known to stand withholds all heat; one of which nothing is known, all but frost heat."""

from __future__ import annotations

from typing import Any

import pytest

from controller.interlocks import pump_proof
from controller.interlocks.pump_proof import SPIN_UP_S
from controller.records.outputs import PumpView
from controller.records.readings import Condition, Sensed
from controller.records.safety import Severity
from controller.records.site import Role
from tests.controller.builders import MILD, Script, sensed

PROOF_S, ABOVE_W = 60.0, 20.0


def state(on: bool, **changes: Any) -> Sensed:
    return sensed(Role.RELAY_STATE, float(on), subject="pump", **changes)


def power(watts: float, **changes: Any) -> Sensed:
    return sensed(Role.POWER, watts, subject="pump", **changes)


def pump(
    *proofs: Sensed, told_s: float | None = 600.0, proof_s: float = PROOF_S
) -> dict[str, PumpView]:
    return {"pump": PumpView("pump", told_s, proof_s, ABOVE_W, proofs)}


ALLOW, OFF, TRIP = Severity.ALLOW, Severity.OFF, Severity.TRIP
STALE = Condition.STALE


@pytest.mark.parametrize(
    ("proofs", "told_s", "reason", "severity"),
    [
        ((state(True),), 600.0, "runs", ALLOW),
        # told OFF: nothing is asked of it
        ((state(False),), None, "clear", ALLOW),
        ((state(True),), None, "clear", ALLOW),
        # its time from start to proof
        ((state(False),), PROOF_S - 0.1, "starting", ALLOW),
        ((state(False),), PROOF_S, "stands", TRIP),
        ((state(True, age_s=9.9),), 10.0, "runs", ALLOW),
        # a report from before the start proves nothing; one too soon after it refutes nothing
        ((state(True, age_s=10.1),), 10.0, "starting", ALLOW),
        ((state(True, age_s=61.0),), PROOF_S, "unknown", OFF),
        ((state(False, age_s=PROOF_S - SPIN_UP_S + 0.1),), PROOF_S, "unknown", OFF),
        ((state(False, age_s=PROOF_S - SPIN_UP_S),), PROOF_S, "stands", TRIP),
        # power, at its limit and just above
        ((power(ABOVE_W),), 600.0, "stands", TRIP),
        ((power(ABOVE_W + 0.1),), 600.0, "runs", ALLOW),
        # of two all must say that it runs
        ((state(True), power(45.0)), 600.0, "runs", ALLOW),
        ((state(True), power(0.0)), 600.0, "stands", TRIP),
        ((state(False), power(45.0)), 600.0, "stands", TRIP),
        ((state(True), power(45.0, condition=STALE)), 600.0, "unknown", OFF),
        # what cannot be trusted is unknown, never standing
        ((state(False, condition=STALE),), 600.0, "unknown", OFF),
        ((state(True, condition=STALE),), 600.0, "unknown", OFF),
        ((state(True, condition=Condition.UNKNOWN_AGE),), 600.0, "unknown", OFF),
        ((power(45.0, condition=Condition.IMPLAUSIBLE),), 600.0, "unknown", OFF),
        (
            (sensed(Role.POWER, None, condition=Condition.MISSING, age_s=None),),
            600.0,
            "unknown",
            OFF,
        ),
        ((state(True, condition=STALE),), PROOF_S - 0.1, "starting", ALLOW),
        ((), 600.0, "unknown", OFF),
    ],
)
def test_table(
    proofs: tuple[Sensed, ...], told_s: float | None, reason: str, severity: Severity
) -> None:
    """Each pair of time and proof has its verdict, at its limit and just below."""
    verdict = Script(pump_proof).tick(*MILD, **pump(*proofs, told_s=told_s))
    assert (verdict.reason, verdict.severity) == (reason, severity)


@pytest.mark.parametrize(
    ("proof_of", "told_s", "reason"),
    [
        (state(False, age_s=0.0), SPIN_UP_S, "stands"),
        (state(False, age_s=0.0), SPIN_UP_S - 0.1, "unknown"),
        (state(True, age_s=0.0), 0.0, "runs"),
        (state(True, age_s=5.0), 5.0, "runs"),
        (state(True, age_s=5.1), 5.0, "unknown"),
    ],
)
def test_a_reading_of_this_moment(proof_of: Sensed, told_s: float, reason: str) -> None:
    """It has no age, and tells what the pump does as soon as the pump has had its time."""
    view = pump(proof_of, told_s=told_s, proof_s=0.0)
    assert Script(pump_proof).tick(*MILD, **view).reason == reason


def test_a_pump_that_is_told_off_is_never_late() -> None:
    """Not even one that must be proven at once."""
    told_off = pump(state(False), told_s=None, proof_s=0.0)
    assert Script(pump_proof).tick(*MILD, **told_off).reason == "clear"


def test_no_pump_is_not_fitted() -> None:
    """Where the boiler runs its own there is nothing to prove."""
    assert Script(pump_proof).tick(*MILD).reason == "not_fitted"


def test_it_clears_once_the_pump_is_seen_to_run() -> None:
    """And by that alone."""
    script = Script(pump_proof)
    assert script.tick(*MILD, **pump(state(False))).severity is TRIP
    assert script.tick(*MILD, **pump(state(True))).severity is ALLOW
    assert script.tick(*MILD, **pump(state(False), told_s=20.0)).severity is ALLOW


@pytest.mark.parametrize(
    "later",
    [
        pump(state(False), told_s=None),
        pump(state(True), told_s=None),
        pump(state(False), told_s=10.0),
    ],
    ids=["told off", "told off and reads on", "tried again"],
)
def test_it_does_not_clear_otherwise(later: dict[str, PumpView]) -> None:
    """The next attempt alone makes no pump that stood a good one."""
    script = Script(pump_proof)
    script.tick(*MILD, **pump(state(False)))
    assert script.tick(*MILD, **later).severity is TRIP
    assert script.restart(*MILD, **later).severity is TRIP


@pytest.mark.parametrize("later", [pump(state(False, condition=STALE)), pump()])
def test_of_which_nothing_more_is_known_it_is_unknown(later: dict[str, PumpView]) -> None:
    """One reading and then silence must not keep frost protection from its heat for ever."""
    script = Script(pump_proof)
    script.tick(*MILD, **pump(state(False)))
    assert script.tick(*MILD, **later).severity is Severity.OFF


def test_it_never_locks_out() -> None:
    """However long it lasts there is nothing to acknowledge: the pump is tried again."""
    assert Script(pump_proof).run(3600.0, *MILD, **pump(state(False))).severity is TRIP

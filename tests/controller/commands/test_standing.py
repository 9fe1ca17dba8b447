"""What is said before anything that a plan promises: that no heat comes, and why."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from controller.commands import bookings, plan
from controller.commands._standing import no_heat
from controller.configuration import Configuration
from controller.records.decision import Decision, HeaterState
from controller.records.plan import Plan
from controller.records.safety import Clears, Severity, Verdict
from controller.store import Reader, Writer
from tests.controller.commands.conftest import NOW_S

LOCKED = Verdict(
    "lockout", Severity.LOCKOUT, "locked_out", Clears.ON_ACKNOWLEDGE, "slab_over_temperature"
)
STALE = Verdict(
    "stale_reading", Severity.OFF, "stale", Clears.WHEN_CLEAR, "bay-slab",
    {"age_s": 900.0, "limit_s": 600.0},
)  # fmt: skip
RESTING = Verdict("maximum_run", Severity.OFF, "resting", Clears.AFTER_TIME)
FROST = Verdict("frost_protection", Severity.FROST, "cold", Clears.WHEN_CLEAR)

Decide = Callable[..., Decision]


def told(decision: Decision, *verdicts: Verdict) -> Decision:
    off = replace(decision.command, heat=False, lease_s=0.0)
    deciding = max(verdicts, key=lambda v: v.severity, default=None)
    return replace(decision, deciding=deciding, verdicts=verdicts, command=off)


@pytest.mark.parametrize(
    ("verdicts", "said"),
    [
        ((), None),
        ((RESTING,), None),
        ((FROST,), None),
        ((STALE,), "The last reading of bay-slab is 900 s old"),
        ((replace(LOCKED, severity=Severity.ALLOW, reason="clear"),), None),
        # the cause stands as well: what must be acknowledged comes first
        ((replace(STALE, severity=Severity.LOCKOUT), LOCKED), "Locked out after a confirmed trip"),
    ],
)
def test_what_lasts_and_withholds_heat_is_said(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    decide: Decide,
    verdicts: tuple[Verdict, ...],
    said: str | None,
) -> None:
    """A lockout or a lost sensor; no rest or other matter of minutes, and no heat for frost."""
    writer.add_decision(told(decide(), *verdicts), HeaterState())
    lines = list(no_heat(configuration, reader, NOW_S))
    assert [line.startswith(f"NO HEAT from boiler: {said}") for line in lines] == [True] * bool(
        said
    )


@pytest.mark.parametrize(("silent_s", "said"), [(600.0, False), (601.0, True)])
def test_a_service_that_does_not_run_is_said(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    decide: Decide,
    silent_s: float,
    said: bool,
) -> None:
    """It writes each minute; what it decided last says nothing of now."""
    writer.add_decision(told(decide(), STALE), HeaterState())
    (line,) = no_heat(configuration, reader, NOW_S + silent_s)
    assert ("so no service runs" in line) is said


def test_without_any_decision_nothing_is_said(configuration: Configuration, reader: Reader) -> None:
    """A new site has none."""
    assert list(no_heat(configuration, reader, NOW_S)) == []


def test_plan_and_bookings_begin_with_it(
    configuration: Configuration,
    reader: Reader,
    writer: Writer,
    timetable: Plan,
    decide: Decide,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Before what would otherwise read like a promise."""
    writer.add_plan(timetable)
    writer.add_decision(told(decide(), LOCKED), HeaterState())
    plan.answer(configuration, reader, plan.Question(NOW_S, 24))
    assert capsys.readouterr().out.startswith("NO HEAT from boiler: Locked out")
    bookings.answer(configuration, 7, now_s=NOW_S)
    assert capsys.readouterr().out.startswith("NO HEAT from boiler: Locked out")

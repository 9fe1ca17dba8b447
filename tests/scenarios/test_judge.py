"""The judge of the scenarios can fail: each of its demands meets the fault that it is there for."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from controller import cycle
from controller.recorder import Recorder
from controller.records.safety import Severity
from controller.rehearsal.relay_board import LeaseBoard
from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story
from tests.scenarios.sites import BAY_VALVE, CIRCULATOR
from tests.scenarios.stage import Stage


def _boiler_without_thermostat(stage: Stage) -> None:
    """Too strong a boiler whose own thermostat has failed: its supply gets truly hot."""
    heater = dataclasses.replace(stage.workshop.heater, rating_w=40_000.0, supply_limit_c=95.0)
    stage.workshop.heater = heater


def _deaf_to(severity: Severity) -> Any:
    """A supervisor that does not hear of verdicts so grave or graver."""
    sound = cycle.supervise

    def supervise(view: Any, memories: Any, *, acknowledged: Any) -> Any:
        ruling = sound(view, memories, acknowledged=acknowledged)
        deaf = ruling.deciding is not None and ruling.deciding.severity >= severity
        return dataclasses.replace(ruling, heat=view.heat_wanted) if deaf else ruling

    return supervise


class _Forgetful(LeaseBoard):
    """A board that does not count its lease."""

    def heat(self, mono_s: float) -> bool:
        """Whether the contact has ever been closed since the last OFF."""
        return self._heat_until_s > 0.0


def test_a_guard_that_ignores_a_trip_is_found(
    make_stage: MakeStage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Heat on a supply that is truly too hot breaks the demand."""
    monkeypatch.setattr(cycle, "supervise", _deaf_to(Severity.TRIP))
    stage = make_stage()
    _boiler_without_thermostat(stage)
    stage.run(hours=2)

    with pytest.raises(AssertionError, match=r"no heat on a hot pipe: ON at .* supply is too hot"):
        Story(stage).judge(but=["limits", "lockout"])
    with pytest.raises(AssertionError, match="lockout: "):
        Story(stage).judge()
    with pytest.raises(AssertionError, match="limits: supply reached"):
        Story(stage).judge(but=["lockout"])


def test_a_relay_without_leases_is_found(make_stage: MakeStage) -> None:
    """A contact that stays closed when nothing renews its lease breaks the demand."""
    stage = make_stage()
    stage.lines["boiler"]._board = _Forgetful(started_mono_s=0.0)
    stage.preheat(minutes=5.0)
    stage.lines["boiler"].connected = False
    stage.run(minutes=10)

    with pytest.raises(AssertionError, match="lease: the heater is on without a lease"):
        Story(stage).judge()


def test_a_command_that_is_not_written_is_found(
    make_stage: MakeStage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A relay that moves without a row in the record breaks the demand."""
    monkeypatch.setattr(Recorder, "record", lambda *given, before: given[1:])
    stage = make_stage()
    stage.preheat(minutes=5.0)

    with pytest.raises(AssertionError, match=r"record: command .* is not in the record"):
        Story(stage).judge()


def test_a_frozen_slab_is_found(make_stage: MakeStage) -> None:
    """A workshop that nobody heats in hard frost breaks the demand."""
    stage = make_stage(sessions=(), outdoor_c=-20.0, tick_s=60.0)
    stage.lines["boiler"].stuck_open = True
    stage.run(hours=48)

    with pytest.raises(AssertionError, match="no freezing: "):
        Story(stage).judge()


def test_heat_on_an_unknown_slab_is_found(
    make_stage: MakeStage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Heat beyond the blind duty with a silent slab sensor breaks the demand."""
    monkeypatch.setattr(cycle, "supervise", _deaf_to(Severity.OFF))
    stage = make_stage()
    stage.preheat(minutes=5.0)
    stage.wires.meddle("bay-slab", lambda _: None)
    stage.run(hours=2)

    with pytest.raises(AssertionError, match=r"no heat on the unknown: .* bay-slab silent"):
        Story(stage).judge()


def test_heat_without_flow_is_found(make_stage: MakeStage) -> None:
    """A valve that is jammed shut while its board says open breaks the demand."""
    stage = make_stage(edits=BAY_VALVE)
    stage.outputs["bay-valve"].seized = True
    stage.preheat(minutes=1.0)

    with pytest.raises(AssertionError, match=r"flow: heat begins at .* s without flow"):
        Story(stage).judge()


def test_a_pump_without_overrun_is_found(make_stage: MakeStage) -> None:
    """A pump that stops with the heat breaks the demand."""
    stage = make_stage(edits=CIRCULATOR)
    stage.preheat(minutes=5.0)
    stage.outputs["circulator"].seized = True
    stage.book()
    stage.run(minutes=1)

    with pytest.raises(AssertionError, match="flow: flow ends before its overrun after"):
        Story(stage).judge()

"""Where a history keeps its records: the real store, or one in memory that is quicker."""

from __future__ import annotations

import json
from collections.abc import Collection
from pathlib import Path
from typing import Any

from controller.records.decision import Decision, HeaterState
from controller.records.plan import ParameterSet, Plan
from controller.records.safety import Severity
from controller.store import rows
from controller.store.failures import StoreFailed
from controller.store.writer import open_writer
from tests.histories.judge import Judge

SPOILT = json.dumps({"sequence": "many"})


class InMemory:
    """What the guard needs of a store; a heater's state goes the way to text and back."""

    def __init__(self) -> None:
        self.unreadable_states: dict[str, str] = {}
        self.generation = 1
        self._state: HeaterState | str | None = None
        self._last: Decision | None = None
        self._plan: Plan | None = None
        self._parameters: dict[str, ParameterSet] = {}

    def add_decision(self, decision: Decision, state: HeaterState) -> None:
        self._last, self._state = decision, state
        self.unreadable_states.clear()

    def state(self, heater: str) -> HeaterState | None:
        if self._state is None:
            return None
        text = self._state if isinstance(self._state, str) else rows.to_json(self._state)
        try:
            return rows.from_json(HeaterState, text)
        except (ValueError, TypeError) as error:
            self.unreadable_states[heater] = str(error)
            return None

    def last_sequence(self, heater: str) -> int:
        return self._last.command.sequence if self._last else 0

    def was_locked_out(self, heater: str) -> bool:
        deciding = self._last.deciding if self._last else None
        return deciding is not None and deciding.severity is Severity.LOCKOUT

    def look(self) -> int:
        return self.generation

    def met(self, heater: str, generation: int) -> None:
        """Every state may be written over."""

    def adopt_lockouts(self, heaters: Collection[str]) -> frozenset[str]:
        return frozenset()

    def lockouts(self, heater: str) -> frozenset[str]:
        return self._state.latched if isinstance(self._state, HeaterState) else frozenset()

    def notices(self) -> tuple[()]:
        return ()

    def add_plan(self, plan: Plan) -> None:
        self._plan = plan

    def latest_plan(self, heater: str) -> Plan | None:
        return self._plan

    def add_parameters(self, parameters: ParameterSet) -> None:
        self._parameters[parameters.zone] = parameters

    def latest_parameters(self, zone: str) -> ParameterSet | None:
        return self._parameters.get(zone)

    def spoil(self) -> None:
        self._state = SPOILT

    def close(self) -> None:
        """Nothing is open."""

    def __getattr__(self, name: str) -> Any:
        if name.startswith(("add_", "count_", "keep_")):
            return _nothing
        raise AttributeError(name)


class Store:
    """A store with a switch that makes every writing fail; tells the judge of each row."""

    def __init__(self, folder: Path, judge: Judge, *, real: bool) -> None:
        self._kept: Any = open_writer(folder) if real else InMemory()
        self._real, self._judge = real, judge
        self.failing = False

    def __getattr__(self, name: str) -> Any:
        if self.failing and name.startswith(("add_", "count_", "keep_", "save_")):
            return _fail
        return getattr(self._kept, name)

    def add_decision(self, decision: Decision, state: HeaterState) -> None:
        if self.failing:
            _fail()
        self._kept.add_decision(decision, state)
        self._judge.row(decision)

    def spoil_state(self) -> None:
        """What is stored of the heater can no longer be understood."""
        if not self._real:
            self._kept.spoil()
            return
        connection = self._kept._connection
        connection.execute("UPDATE heater_state SET state = ?", (SPOILT,))
        connection.commit()


def _nothing(*_: Any, **__: Any) -> bool:
    return False


def _fail(*_: Any, **__: Any) -> None:
    raise StoreFailed("cannot write: no space left on device")

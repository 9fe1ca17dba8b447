"""The record as it was written: rows of the store and lines on standard error."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from controller.records.decision import Decision

ROW_S = 60.0

Must = Callable[[bool, str], None]


class RecordBook:
    """Holds the order of rows, cries and messages within a tick."""

    def __init__(self) -> None:
        self.restart()
        self.stored_last = False
        """Whether the last thing to be written went into the store."""

    def restart(self) -> None:
        self.last_is_cry = False
        self._last_heat: bool | None = None
        self._last_s: float | None = None
        self._rows = self._cries = 0
        self._is_overdue = False
        self._gist: tuple[Any, ...] | None = None
        self._decided: Decision | None = None

    def row(self, decision: Decision, now_s: float) -> None:
        self._rows += 1
        self._written(decision.command.heat, now_s)
        self.last_is_cry, self.stored_last = False, True

    def cry(self, decision: dict[str, Any], now_s: float) -> None:
        self._cries += 1
        self._written(decision["command"]["heat"], now_s)
        self.last_is_cry, self.stored_last = True, False

    def decided(self, decision: Decision) -> None:
        self._decided = decision

    def message(self, order: dict[str, Any], must: Must) -> None:
        """A message goes out: an ON must be on record before the relay moves."""
        if order["heat"]:
            must(self._last_heat is True, "an ON that the record does not know")

    def begin_tick(self, now_s: float) -> None:
        self._rows = self._cries = 0
        self._decided = None
        self._is_overdue = self._last_s is not None and now_s - self._last_s >= ROW_S

    def judge_tick(
        self,
        must: Must,
        *,
        on: bool,
        was_on: bool,
        reachable: bool,
        store_fails: bool,
        **_: bool,
    ) -> None:
        """At the end of a tick."""
        written = self._rows + self._cries > 0
        if on != was_on:
            must(written, "a change of command without a row")
            agrees = self._last_heat == on or not reachable
            must(agrees, "the record says another command than the relay heard")
        if store_fails:
            must(self._rows == 0, "a row came out of a store that fails")
        gist = _gist(self._decided)
        if gist is not None and gist != self._gist:
            must(written, "a decision that has changed is not on record")
        self._gist = gist
        must(written or not self._is_overdue, "more than a minute without a row")

    def _written(self, heat: bool, now_s: float) -> None:
        self._last_heat, self._last_s = heat, now_s


def _gist(decision: Decision | None) -> tuple[Any, ...] | None:
    """What design section 8 counts as a change: command, reason, verdicts, plan, booking."""
    if decision is None:
        return None
    deciding = decision.deciding
    verdicts = frozenset((v.rule, v.severity, v.reason) for v in decision.verdicts)
    why = (deciding.rule, deciding.reason) if deciding else None
    return (decision.command.heat, why, verdicts, decision.wish.plan, decision.wish.session)

"""The record comes first: a decision that cannot be written must not heat.

Frost protection alone is still allowed then. What cannot be stored goes to standard error.
"""

from __future__ import annotations

import contextlib
import json
import logging
from dataclasses import replace
from typing import TextIO

from controller.codec import to_plain
from controller.cycle import Carry
from controller.records.decision import Decision
from controller.records.safety import Clears, Severity, Verdict
from controller.store.failures import StoreFailed
from controller.store.writer import Writer

log = logging.getLogger(__name__)

NAME = "record"
ROW_S = 60.0
"""Longest time between two stored decisions of a heater [s]."""


class Recorder:
    """Writes one heater's decisions: when anything in them changes, and every minute.

    Parameters
    ----------
    store : Writer
    distress : TextIO
        Where a decision goes that cannot be stored.
    """

    def __init__(self, store: Writer, distress: TextIO) -> None:
        self._store, self._distress = store, distress
        self._last: Decision | None = None
        self._stored_mono_s = 0.0
        self._failing = False

    def is_due(self, decision: Decision) -> bool:
        """Whether this decision needs a row of its own."""
        age_s = decision.at.mono_s - self._stored_mono_s
        return self._failing or age_s >= ROW_S or decision.changed_from(self._last)

    def record(self, decision: Decision, carry: Carry, *, before: Carry) -> tuple[Decision, Carry]:
        """Write a decision, then give it back; with OFF in it where it could not be written.

        Parameters
        ----------
        decision : Decision
        carry : Carry
            For the next tick.
        before : Carry
            Of the last tick: an ON that is withheld from a heater that was off changes nothing.
        """
        try:
            self._store.add_decision(decision, carry.state)
        except StoreFailed as error:
            log.error("%s", error)  # noqa: TRY400 - the sentence says it all
            self._failing = True
            decision, carry = _without_heat(decision, carry, before)
            self.cry(decision)
        else:
            self._failing = False
        self._last, self._stored_mono_s = decision, decision.at.mono_s
        return decision, carry

    def cry(self, decision: Decision) -> None:
        """Write a decision where somebody may still see it."""
        # standard error may be on the disk that is full, or closed: that must not end the heat
        with contextlib.suppress(OSError, ValueError):
            self._distress.write(json.dumps({"decision": to_plain(decision)}) + "\n")
            self._distress.flush()


def _without_heat(decision: Decision, carry: Carry, before: Carry) -> tuple[Decision, Carry]:
    verdict = Verdict(NAME, Severity.OFF, "not_written", Clears.WHEN_CLEAR)
    decision = replace(decision, verdicts=(*decision.verdicts, verdict))
    worst = decision.deciding.severity if decision.deciding else Severity.ALLOW
    if worst >= Severity.FROST or not decision.command.heat:
        return decision, carry
    decision = replace(
        decision, deciding=verdict, command=replace(decision.command, heat=False, lease_s=0.0)
    )
    state = replace(carry.state, heating=False)
    off_mono_s = decision.at.mono_s if before.state.heating else before.changed_mono_s
    return decision, replace(carry, state=state, changed_mono_s=off_mono_s)

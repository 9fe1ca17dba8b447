"""Puts what changed in a decision's notices into the log, and lasting alarms again and again."""

from __future__ import annotations

import logging

from controller.alarms import REPEATED
from controller.records.decision import Decision, Notice
from controller.records.limits import TICK_S

log = logging.getLogger(__name__)

REPEAT_S = 60.0
"""Time after which an alarm that lasts is given again [s]."""


class Announcer:
    """Puts one heater's notices into the log: each once, lasting alarms every minute."""

    def __init__(self) -> None:
        self._said_mono_s: dict[Notice, float] = {}

    def say(self, decision: Decision, last: Decision | None) -> None:
        """Log what is new in a decision, and what must be said again."""
        known = last.notices if last else ()
        for notice in decision.notices:
            if notice not in known or self._is_due(notice, decision.at.mono_s):
                level = logging.WARNING if notice.alarm else logging.INFO
                log.log(logging.CRITICAL if notice.kind in REPEATED else level, "%s", notice.text)
                self._said_mono_s[notice] = decision.at.mono_s
        for gone in set(self._said_mono_s).difference(decision.notices):
            del self._said_mono_s[gone]

    def _is_due(self, notice: Notice, mono_s: float) -> bool:
        # ticks come a little late, never early: half a tick keeps the minute a minute
        waited_s = mono_s - self._said_mono_s.get(notice, mono_s)
        return notice.kind in REPEATED and waited_s >= REPEAT_S - TICK_S / 2

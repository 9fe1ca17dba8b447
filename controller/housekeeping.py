"""Old records are condensed beside the ticks: one small step a minute, while the clock is steady.

What is folded away is gone. So nothing is, before the wall clock has agreed with the monotonic one
for an hour, and never much at once: a clock that is wrong by years for an hour costs the detail of
days, not of years.
"""

from __future__ import annotations

import logging

from controller.records.instant import Instant
from controller.store.failures import StoreFailed
from controller.store.writer import Writer

log = logging.getLogger(__name__)

STEP_S = 60.0
REST_S = 3600.0
"""Wait after a look that found nothing to do [s]."""
STEADY_S = 3600.0
STEP_OF_CLOCK_S = 60.0
"""The wall clock may move by this against the monotonic one in ``STEADY_S`` [s]."""


class Housekeeping:
    """Calls for one step of condensing where one is due.

    Parameters
    ----------
    store : Writer
    """

    def __init__(self, store: Writer) -> None:
        self._store = store
        self._steady_since: Instant | None = None
        self._next_mono_s = 0.0

    def tick(self, now: Instant) -> None:
        """Do a step where one is due. Never raises: the next tick must come."""
        if not self._is_steady(now) or now.mono_s < self._next_mono_s:
            return
        self._next_mono_s = now.mono_s + REST_S
        try:
            if self._store.condense(now.utc_s):
                self._next_mono_s = now.mono_s + STEP_S
        except StoreFailed as error:
            log.warning("%s", error)
        except Exception:
            log.exception("unexpected error while condensing old records")

    def _is_steady(self, now: Instant) -> bool:
        since = self._steady_since
        if since is not None:
            moved_s = (now.utc_s - since.utc_s) - (now.mono_s - since.mono_s)
            if abs(moved_s) > STEP_OF_CLOCK_S:
                since = None
        if since is None:
            self._steady_since = since = now
        return now.mono_s - since.mono_s >= STEADY_S

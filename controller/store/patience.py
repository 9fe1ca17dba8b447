"""How long a tick may wait for other programs' locks on the store."""

from __future__ import annotations

from controller.clock import Clock

ALLOWED_S = 2.0
"""Longest wait for locks in one span, over all calls [s]: however many heaters ask, a tick is done
long before the watchdog's 30 s."""
SPAN_S = 9.0
"""Within a tick's 10 s, so that each tick finds the whole allowance [s]."""


class Patience:
    """An allowance of waiting that is spent call by call, and is whole again in the next span.

    Parameters
    ----------
    clock : Clock
        Real time, also where the service itself runs on a stepped clock.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._span_began_mono_s = clock.now().mono_s
        self._spent_s = 0.0

    def left_ms(self) -> int:
        """What may still be waited in this span [ms]; it can be all used up."""
        now_mono_s = self._clock.now().mono_s
        if now_mono_s - self._span_began_mono_s >= SPAN_S:
            self._span_began_mono_s, self._spent_s = now_mono_s, 0.0
        return max(0, round((ALLOWED_S - self._spent_s) * 1000))

    def begin(self) -> float:
        """The moment at which a wait may begin [s, monotonic]; for ``end``."""
        return self._clock.now().mono_s

    def end(self, began_mono_s: float) -> None:
        """Take what was waited since then off the allowance."""
        self._spent_s += self._clock.now().mono_s - began_mono_s

"""Real timers of the service, shortened for the usual run.

With ``SLABTIDE_FAULTS=long`` they stay as they are: that is what ``python -m tests.long.faults``
measures.
"""

from __future__ import annotations

import os
from dataclasses import asdict, dataclass, replace

from controller import planner_process, watchdog
from controller.records.limits import TICK_S
from controller.relays import mqtt

LONG = os.environ.get("SLABTIDE_FAULTS") == "long"


@dataclass(frozen=True)
class Timers:
    """Timers that count real time [s]."""

    tick_s: float
    keep_alive_s: int
    hang_s: float
    plan_s: float

    @property
    def will_s(self) -> float:
        """Longest time until a broker speaks the will of a client that has fallen silent.

        One and a half keep-alives after its last word (MQTT 5.0 section 3.1.2.10); Mosquitto 2.0
        looks every few seconds only (seen: up to 3.5 s later).
        """
        return 1.5 * self.keep_alive_s + 6.0

    @property
    def bitten_s(self) -> float:
        """Longest time until the relay hears that the service hung.

        The watchdog looks once a second; one more for the will on a busy machine.
        """
        return self.hang_s + 2.0

    @property
    def silence_s(self) -> float:
        """Longest time until the service itself notices that a broker is silent.

        A ping goes out a keep-alive after the last word heard and is waited for as long again.
        """
        return 2.0 * self.keep_alive_s + 2.0

    def plain(self) -> dict[str, float]:
        """As the service's process reads them."""
        return asdict(self)


AS_THEY_ARE = Timers(TICK_S, mqtt.KEEP_ALIVE_S, watchdog.HANG_S, planner_process.PLAN_TIME_S)
SHORT = Timers(tick_s=0.5, keep_alive_s=1, hang_s=2.5, plan_s=3.0)
TIMERS = AS_THEY_ARE if LONG else SHORT
SLACK_S = 0.0 if LONG else 5.0
"""More than a bound that a busy machine may take, where timers are short [s]."""
PACED = replace(AS_THEY_ARE, plan_s=TIMERS.plan_s)
"""In lockstep nobody waits for the others, and a machine that is busy must not be taken for a
fault."""

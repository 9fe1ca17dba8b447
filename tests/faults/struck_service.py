"""The real service in a process of its own that dies or hangs at a wanted step of a tick.

Started as ``python -m tests.faults.struck_service ORDERS.json run --site ...``: what follows the
orders goes to the command line unchanged. The product knows nothing of this: steps are wrapped,
and timers and the planner's program replaced, in this process alone, before the service starts.
"""

from __future__ import annotations

import functools
import importlib
import json
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from controller.cli import main

STEPS = {
    "requests": "controller.acknowledgements:take_acknowledgements",
    "configuration": "controller.guard:Guard._take_up_configuration",
    "readings": "controller.intake:Intake.take",
    "planner's news": "controller.planning_desk:PlanningDesk.take",
    "decide": "controller.guard:decide",
    "record": "controller.store.writer:Writer.add_decision",
    "command": "controller.relays.mqtt:MqttRelay.send",
    "wire": "controller.relays.mqtt:MqttRelay._publish",
    "read back": "controller.read_back:ReadBackDesk.take",
    "ask planner": "controller.planning_desk:PlanningDesk.ask",
    "watchdog": "controller.watchdog:Watchdog.pat",
}
"""Every step of a tick in its order, with what carries it out.

``wire`` is inside ``command``, with the lock of the relay's connection held.
"""

OUTSIDE_A_TICK = {
    "relay's network thread": "controller.relays.mqtt:MqttRelay._on_message",
}
"""What else may hang."""

_PLACES = STEPS | OUTSIDE_A_TICK


def _replace(place: str, make: Callable[[Any], Any]) -> None:
    """Put ``make(what stands there)`` in the place of a function or method."""
    module_name, path = place.split(":")
    owner: Any = importlib.import_module(module_name)
    *classes, name = path.split(".")
    for part in classes:
        owner = getattr(owner, part)
    setattr(owner, name, make(getattr(owner, name)))


def _struck(how: str, trigger: Path, note: Path) -> Callable[[Any], Any]:
    """Wrap a step: the first call after ``trigger`` exists writes the moment, and strikes."""

    def make(step: Any) -> Any:
        @functools.wraps(step)
        def wrapped(*args: Any, **kwargs: Any) -> Any:
            if trigger.exists():
                note.write_text(repr(time.clock_gettime(time.CLOCK_BOOTTIME)))
                if how == "kill":
                    os.kill(os.getpid(), signal.SIGKILL)
                threading.Event().wait()
            return step(*args, **kwargs)

        return wrapped

    return make


def _set(timers: dict[str, float]) -> None:
    from controller import planner_process, service
    from controller.relays import mqtt as relays
    from controller.sensors import mqtt as sensors
    from controller.watchdog import Watchdog

    service.TICK_S = timers["tick_s"]
    service.LATE_S = 1.5 * timers["tick_s"]
    relays.KEEP_ALIVE_S = sensors.KEEP_ALIVE_S = int(timers["keep_alive_s"])
    planner_process.PLAN_TIME_S = timers["plan_s"]
    service.Watchdog = functools.partial(Watchdog, hang_s=timers["hang_s"])


def _run(orders_path: Path, arguments: list[str]) -> int:
    orders = json.loads(orders_path.read_text())
    _set(orders["timers"])
    if orders["planner"] is not None:
        sys.executable = orders["planner"]
    if orders["step"] is not None:
        trigger, note = Path(orders["trigger"]), Path(orders["note"])
        _replace(_PLACES[orders["step"]], _struck(orders["how"], trigger, note))
    return main(arguments)


if __name__ == "__main__":
    sys.exit(_run(Path(sys.argv[1]), sys.argv[2:]))

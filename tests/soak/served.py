"""The service as the soak starts it: ``slabtide run --lockstep``, with a few things changed.

Plans may be made less often than every 15 minutes and fits less often than each night, because a
child costs seconds and the ticks in between a fraction of that. A child has longer time, because
it is real time and a soak runs in the background. And a leak can be planted, to see that it is
found.
"""

from __future__ import annotations

import argparse
import os
import sys
import threading
from collections.abc import Callable

from controller import planner_process, planning_desk
from controller.cli import main
from controller.guard import Guard

CHILD_TIME_S = 3000.0
"""Longest time of a planner's child here [s, real time]."""
LEAKS = ("memory", "handles", "threads")
LEAK_BYTES = 8192
"""Memory that a planted leak keeps at each tick [bytes]."""
LEAK_EVERY = 100
"""Ticks between two handles or threads that a planted leak keeps."""


def serve() -> int:
    """Serve until the pacer hangs up."""
    options = _parser().parse_args()
    planning_desk.REPLAN_S = options.replan_s
    # real time, which a soak in the background may wait for long: a child that is ended for it is
    # asked for again at once, for the paced clock stands still meanwhile
    planner_process.PLAN_TIME_S = planner_process.LEARN_TIME_S = CHILD_TIME_S
    _learn_every(options.learn_days)
    for kind in options.leak:
        _plant(kind)
    arguments = ["run", "--quiet", "--site", options.site, "--lockstep", options.socket]
    return main(arguments)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.soak.served")
    parser.add_argument("site")
    parser.add_argument("socket")
    parser.add_argument("--replan-s", type=float, required=True)
    parser.add_argument("--learn-days", type=int, required=True)
    parser.add_argument("--leak", choices=LEAKS, nargs="*", default=())
    return parser


def _learn_every(days: int) -> None:
    """Have so many days count as one night."""
    night = planning_desk.PlanningDesk._learning_day

    def longer(desk: planning_desk.PlanningDesk, utc_s: float) -> int:
        return night(desk, utc_s) // days

    planning_desk.PlanningDesk._learning_day = longer  # type: ignore[method-assign]


def _plant(kind: str) -> None:
    """Have every tick keep something for good."""
    kept: list[object] = []
    grow = {"memory": _more_memory, "handles": _more_handles, "threads": _more_threads}[kind]
    tick = Guard.tick

    def leaking_tick(guard: Guard) -> None:
        tick(guard)
        grow(kept)

    Guard.tick = leaking_tick  # type: ignore[method-assign]


def _more_memory(kept: list[object]) -> None:
    kept.append(os.urandom(LEAK_BYTES))


def _more_handles(kept: list[object]) -> None:
    kept.append(_each(kept, lambda: os.open(os.devnull, os.O_RDONLY)))


def _more_threads(kept: list[object]) -> None:
    kept.append(_each(kept, _waiting_thread))


def _each(kept: list[object], make: Callable[[], object]) -> object | None:
    return make() if len(kept) % LEAK_EVERY == 0 else None


def _waiting_thread() -> threading.Thread:
    thread = threading.Thread(target=threading.Event().wait, daemon=True)
    thread.start()
    return thread


if __name__ == "__main__":
    sys.exit(serve())

"""A simulated year in the real service: memory, handles and threads must not grow.

Started from the root of the checkout::

    python -m tests.soak --days 365

The real service process runs on a clock that is paced from here, with a broker of its own, sensors,
relay board and planner child; every simulated day the process is looked at from outside. Ctrl-C or
`kill` ends it early, and what there is is judged.
"""

from __future__ import annotations

import argparse
import signal
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from tests.soak.samples import Judgement, Sample, judge, look_at
from tests.soak.scene import Order, Scene, started
from tests.soak.served import LEAKS

DAY_S = 86_400.0
LEAST_SAMPLES = 24
HEADING = "    day  resident    own MiB  handles  threads  store MiB  heat h  ticks/s   time left\n"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run and judge; the exit code, 1 where something grew."""
    options = _parser().parse_args(arguments)
    # in the background a shell has Ctrl-C ignored: `kill` ends the soak in the same way
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.default_int_handler)
    order = Order(
        days=options.days,
        tick_s=options.tick,
        replan_s=options.replan * 3600.0,
        learn_days=options.learn_days,
        seed=options.seed,
        leak=tuple(options.leak),
        folder=options.folder,
    )
    print(
        f"{order.days:g} days, a tick each {order.tick_s:g} s, a plan each {options.replan:g} h "
        f"and at events, a fit each {order.learn_days} days, seed {order.seed}",
        flush=True,
    )
    samples = soak(order)
    try:
        judgement = judge(samples)
    except ValueError as error:
        print(error)
        return 1
    show(judgement)
    return 1 if judgement.faults else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    add = parser.add_argument
    add("--days", type=float, default=365.0, help="simulated days (default: %(default)s)")
    add("--tick", type=float, default=10.0, metavar="S",
        help="simulated seconds between two ticks, 10 as in real use, up to 60")  # fmt: skip
    add("--replan", type=float, default=6.0, metavar="H",
        help="simulated hours between two plans, 0.25 as in real use; each costs the start of a "
        "child (default: %(default)s)")  # fmt: skip
    add(
        "--learn-days",
        type=int,
        default=7,
        metavar="N",
        help="simulated nights between two fits, 1 as in real use (default: %(default)s)",
    )
    add("--seed", type=int, default=7, help="of people, doors and sensors (default: %(default)s)")
    add("--leak", choices=LEAKS, nargs="+", default=(), metavar="WHAT",
        help=f"have the service leak {', '.join(LEAKS)}: the soak must then fail")  # fmt: skip
    add(
        "--folder", type=Path, help="where to keep configuration and records; thrown away otherwise"
    )
    return parser


def soak(order: Order) -> list[Sample]:
    """Run an order and give the samples; fewer where it is broken off with Ctrl-C."""
    every = max(1, round(min(DAY_S, order.days * DAY_S / LEAST_SAMPLES) / order.tick_s))
    samples: list[Sample] = []
    with started(order) as scene:
        print(f"Broker {scene.broker.kind}, service process {scene.pid}\n{HEADING}", end="")
        began_s = time.monotonic()
        try:
            for number in range(1, order.ticks + 1):
                scene.tick(order.tick_s)
                if number % every == 0:
                    sample = look_at(
                        scene.pid, scene.configuration.store, day=number * order.tick_s / DAY_S
                    )
                    samples.append(sample)
                    _say(sample, scene, order, number, time.monotonic() - began_s)
        except KeyboardInterrupt:
            print("Broken off; judged is what there is.", flush=True)
    return samples


def _say(sample: Sample, scene: Scene, order: Order, ticks: int, took_s: float) -> None:
    left_min = took_s / ticks * (order.ticks - ticks) / 60.0
    print(
        f"{sample.day:7.2f} {sample.resident_mib:9.2f} {sample.own_mib:10.2f} {sample.handles:8d} "
        f"{sample.threads:8d} {sample.store_mib:10.1f} {scene.heats * order.tick_s / 3600.0:7.1f} "
        f"{ticks / took_s:8.0f} {left_min:7.1f} min",
        flush=True,
    )


def show(judgement: Judgement) -> None:
    """Print what was found."""
    print(
        f"Judged from day {judgement.first_day:.2f} to {judgement.last_day:.2f}: own memory "
        f"{judgement.memory_growth_mib:+.2f} MiB, "
        f"{judgement.memory_slope_kib_day:+.2f} KiB a day; "
        f"handles {judgement.handles[0]} to {judgement.handles[1]}, "
        f"threads {judgement.threads[0]} to {judgement.threads[1]}."
    )
    for fault in judgement.faults:
        print(f"GROWN: {fault}")
    if not judgement.faults:
        print("Nothing has grown.")


if __name__ == "__main__":
    sys.exit(main())

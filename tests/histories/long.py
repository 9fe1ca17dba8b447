"""Random histories for as long as wanted.

From the root of the checkout::

    python -m tests.histories.long --ticks 10000000 --jobs 2
    python -m tests.histories.long --again 417              one round again, shortened to its core

Rounds of 5 histories, one seed each, so that any round can be played again by itself. Prints
progress and time left; the exit code is 1 where an invariant broke.
"""

from __future__ import annotations

import argparse
import sys
import time
import traceback
from collections.abc import Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, field
from multiprocessing import get_context

from tests.histories.rounds import Played, play_round

SAY_EVERY_S = 30.0


@dataclass
class Progress:
    """What all jobs have played so far."""

    wanted: int
    began_s: float = field(default_factory=time.monotonic)
    said_s: float = 0.0
    sums: Played = field(default_factory=Played)
    failures: dict[int, str] = field(default_factory=dict)

    def add(self, played: Played) -> None:
        self.sums.seeds += played.seeds
        for name in ("ticks", "histories", "on_ticks", "blind_ticks", "locked", "cries"):
            setattr(self.sums, name, getattr(self.sums, name) + getattr(played, name))

    def say(self, *, at_once: bool = False) -> None:
        now_s = time.monotonic()
        if not at_once and now_s - self.said_s < SAY_EVERY_S:
            return
        self.said_s = now_s
        spent_s, sums = now_s - self.began_s, self.sums
        left_s = spent_s * max(0, self.wanted - sums.ticks) / max(1, sums.ticks)
        left = f"about {left_s / 60:.0f} min left" if sums.ticks else "time left not known yet"
        print(
            f"{sums.ticks:,} of {self.wanted:,} ticks ({sums.histories} histories, "
            f"{len(sums.seeds)} seeds; {sums.on_ticks:,} with ON, {sums.blind_ticks:,} of them "
            f"blind, {sums.locked} lockouts, {sums.cries:,} decisions on standard error), "
            f"{len(self.failures)} failures; {sums.ticks / max(spent_s, 1e-9):,.0f} ticks/s, "
            f"{spent_s / 60:.0f} min gone, {left}",
            flush=True,
        )


def main(arguments: Sequence[str] | None = None) -> int:
    """Play until the ticks are reached; the exit code."""
    options = _parser().parse_args(arguments)
    if options.again is not None:
        play_round(options.again, Played(), shrink=True)
        print(f"nothing breaks in the round of seed {options.again}")
        return 0
    progress = Progress(options.ticks)
    try:
        _play_all(progress, jobs=options.jobs, seed=options.seed, go_on=options.go_on)
    finally:
        progress.say(at_once=True)
    for seed, text in progress.failures.items():
        print(f"\n== seed {seed}\n{text}")
    return 1 if progress.failures else 0


def _play_all(progress: Progress, *, jobs: int, seed: int, go_on: bool) -> None:
    running: dict[Future[Played], int] = {}
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        while running or progress.sums.ticks < progress.wanted:
            stop = progress.failures and not go_on
            while not stop and len(running) < jobs and progress.sums.ticks < progress.wanted:
                running[pool.submit(_round, seed)] = seed
                seed += 1
            if not running:
                return
            done, _ = wait(running, timeout=SAY_EVERY_S, return_when=FIRST_COMPLETED)
            for future in done:
                _take(progress, future, running.pop(future))
            progress.say()


def _take(progress: Progress, future: Future[Played], seed: int) -> None:
    error = future.exception()
    if error is None:
        progress.add(future.result())
    else:
        progress.failures[seed] = "".join(traceback.format_exception(error))
        print(f"FAILED: seed {seed}: {str(error).splitlines()[0]}", flush=True)


def _round(seed: int) -> Played:
    played = Played()
    play_round(seed, played)
    return played


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description="Random histories under the judge's eyes.")
    parser.add_argument("--ticks", type=int, default=10_000_000)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1000, help="of the first round")
    parser.add_argument("--go-on", action="store_true", help="after a failure")
    parser.add_argument("--again", type=int, metavar="SEED", help="one round, shortened")
    return parser


if __name__ == "__main__":
    sys.exit(main())

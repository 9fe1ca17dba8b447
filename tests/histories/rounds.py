"""Rounds of random histories: each has a seed, and with it can be played again."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import hypothesis
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import run_state_machine_as_test

from tests.histories.machine import History

HISTORIES = 5
STEPS = 30

_SETTINGS = settings(
    max_examples=HISTORIES,
    stateful_step_count=STEPS,
    deadline=None,
    database=None,
    print_blob=True,
    report_multiple_bugs=False,
    suppress_health_check=list(HealthCheck),
)


@dataclass
class Played:
    """What was played, as counted by the histories themselves."""

    seeds: list[int] = field(default_factory=list)
    ticks: int = 0
    histories: int = 0
    on_ticks: int = 0
    blind_ticks: int = 0
    locked: int = 0
    cries: int = 0


def play(*, ticks: int, first_seed: int, shrink: bool = False) -> Played:
    """Play rounds from a seed on, until so many ticks were played.

    A violation ends it: the seed of its round and the steps that led there are printed.
    """
    played = Played()
    while played.ticks < ticks:
        play_round(first_seed + len(played.seeds), played, shrink=shrink)
    return played


def play_round(seed: int, played: Played, *, shrink: bool = False) -> None:
    """Play one round and add to what was played."""
    History.total.clear()
    phases = (Phase.generate, Phase.shrink) if shrink else (Phase.generate,)
    with _quiet():
        try:
            machine = hypothesis.seed(seed)(type(f"History{seed}", (History,), {}))
            run_state_machine_as_test(machine, settings=settings(_SETTINGS, phases=phases))
        except BaseException:
            print(f"FAILED with seed {seed}: python -m tests.histories.long --again {seed}")
            raise
    played.seeds.append(seed)
    for name, count in History.total.items():
        setattr(played, name, getattr(played, name) + count)


@contextmanager
def _quiet() -> Iterator[None]:
    """Thousands of faults are no news here; the judge keeps its own diary."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(before)

"""A guard that is killed again and again while it heats without a slab reading."""

from __future__ import annotations

import contextlib
import os
import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.records.limits import LEASE_S
from controller.rehearsal.pacer import ServiceGone
from tests.faults.bench import within
from tests.faults.conftest import RunningBroker
from tests.faults.pacing import Paced, paced_workshop
from tests.faults.proxy import Proxy
from tests.faults.timers import LONG

BLIND_S = 900
"""Blind heat that any hour may have (`blind_duty_min_per_h`)."""
HOUR_TICKS = 360
HOURS, KILLS, SEEDS = (12, 200, range(5)) if LONG else (1, 8, range(1))
FROST_C = 3.0


@pytest.fixture
def stretch(broker: RunningBroker) -> Iterator[Proxy]:
    """The network to the relay."""
    made = Proxy(broker.port)
    yield made
    made.end()


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("with_will", [True, False] if LONG else [False])
def test_no_crash_loop_refills_the_frost_budget(
    tmp_path: Path,
    broker: RunningBroker,
    stretch: Proxy,
    noted: Callable[..., None],
    with_will: bool,
    seed: int,
) -> None:
    """Counted at the relay's contact: at most 15 min of blind heat in any hour, but some."""
    chance = random.Random(int(os.environ.get("SLABTIDE_SEED", seed)))
    print(f"seed {seed}")
    with paced_workshop(tmp_path, broker.port, relay_port=stretch.port) as paced:
        workshop, kills = paced.workshop, 0
        del workshop.values["bay-slab"]
        workshop.values["bay-air"] = FROST_C
        workshop.plan(heat=False)
        paced.start()
        paced.tick(HOUR_TICKS + 10)  # nothing is known to have been spent: that counts as all
        end_s = paced.clock.now().mono_s + HOURS * 3600.0
        while paced.clock.now().mono_s < end_s:
            if workshop.relay.closed and kills < KILLS:
                paced.tick(chance.randint(0, 15))
                kill(paced, stretch, with_will=with_will)
                kills += 1
                paced.pass_time(float(chance.choice([0, 10, 60])))
                paced.start()
            paced.tick()
        spent_s = workshop.relay.most_in_any(3600.0)
    assert kills >= 3
    unheard = "" if with_will else ", its will not heard"
    # two faults at once: of the last lease of an hour nobody can say that it was used up
    bound_s = BLIND_S if with_will else BLIND_S + LEASE_S
    fault = f"guard killed in a loop, blind frost heat, {kills} times in {HOURS} h{unheard}"
    noted(fault, spent_s, bound_s=bound_s, clock="relay's own")
    assert spent_s > BLIND_S / 4


def kill(paced: Paced, stretch: Proxy, *, with_will: bool) -> None:
    """End the guard by -9; without its will the relay has only its lease."""
    if not with_will:
        stretch.cut()
    paced.service.end()
    if with_will:
        within(5.0, lambda: not paced.workshop.relay.closed)
        return
    paced.pass_time(LEASE_S + 10.0)
    heard = len(paced.workshop.relay.heard)
    stretch.mend()
    within(5.0, lambda: len(paced.workshop.relay.heard) > heard)


def test_a_guard_that_dies_at_every_start_never_heats(paced: Paced) -> None:
    """Killed in its first tick, again and again: whatever is wanted, nothing gets as far as ON."""
    paced.workshop.values["loop-return"] = FROST_C
    for step in ("record", "decide", "readings"):
        paced.start(step=step, struck=True)
        with contextlib.suppress(ServiceGone):
            paced.step()
        assert paced.service.ended() == -9
        paced.pass_time(10.0)
    assert not paced.workshop.relay.accepted()

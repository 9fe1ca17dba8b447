"""The guard is killed, and hangs, at every step of a tick while the heater is on."""

from __future__ import annotations

import math
import signal
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest

from controller.brokers import start_broker
from controller.clock import SystemClock
from controller.rehearsal.pacer import ServiceGone
from controller.store import open_writer
from controller.watchdog import EXIT_HUNG
from tests.faults.bench import HEATER, Workshop, heating_live, live, within
from tests.faults.pacing import Paced, paced_workshop
from tests.faults.struck_service import STEPS
from tests.faults.timers import LONG, TIMERS

AT_ONCE_S = 1.0
"""A broker speaks the will of a client whose process is gone as soon as it sees that [s]."""
TOO_HOT_C = 58.0
"""Above the limit of the supply."""
LOCKOUT_STEPS = tuple(STEPS) if LONG else ("requests", "record", "command", "read back")
"""Those next to where the state is written; the long run takes all."""
ROW_TICKS = 7
"""A row is written at least once a minute."""


@pytest.fixture(scope="module")
def steps(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Paced]:
    """One workshop and one store for all: each start follows a death of the service."""
    with (
        start_broker() as broker,
        paced_workshop(tmp_path_factory.mktemp("steps"), broker.port) as made,
    ):
        yield made


@pytest.mark.parametrize("step", STEPS)
def test_a_guard_killed_in_a_tick_is_off_at_once_and_starts_again(
    steps: Paced, noted: Callable[..., None], step: str
) -> None:
    """The will opens the contact; what is stored is whole; the next service heats again."""
    relay = steps.workshop.relay
    steps.workshop.plan()
    service = steps.start(step=step)
    steps.tick_until(heating=True)
    service.strike()
    with pytest.raises(ServiceGone):
        steps.tick(ROW_TICKS)
    assert service.ended() == -signal.SIGKILL
    within(5.0, lambda: not relay.closed)
    off_s = relay.first_off_after(service.struck_mono_s)
    noted(f"guard killed at step {step}", off_s, bound_s=AT_ONCE_S)
    with closing(open_writer(steps.workshop.store)) as store:
        kept = store.state(HEATER)
    assert kept is not None  # whole enough to be read
    told, obeyed = relay.last_sequence(), len(relay.accepted())
    steps.start()
    steps.tick()
    assert (relay.closed, relay.last_sequence() > told) == (False, True)
    steps.tick_until(heating=True)
    assert len(relay.accepted()) > obeyed
    assert steps.stop() == 0


def test_a_lockout_outlives_a_kill_at_every_step(paced: Paced) -> None:
    """No start forgets it: no heat, until somebody acknowledges."""
    workshop = paced.workshop
    workshop.values["loop-supply"] = TOO_HOT_C
    paced.start()
    paced.tick(12)  # confirmed after a minute, by a newer reading
    assert paced.stop() == 0
    workshop.values["loop-supply"] = 25.0
    for step in LOCKOUT_STEPS:
        service = paced.start(step=step)
        paced.tick(2)
        service.strike()
        with pytest.raises(ServiceGone):
            paced.tick(ROW_TICKS)
        assert service.ended() == -signal.SIGKILL
    paced.start()
    paced.tick(40)
    assert not workshop.relay.accepted()
    assert workshop.decisions()[-1].deciding.rule == "lockout"
    workshop.command("acknowledge")
    paced.tick_until(heating=True)


def test_a_guard_that_hangs_in_a_tick_is_ended_and_off(noted: Callable[..., None]) -> None:
    """The watchdog ends it without a word, so that the will speaks."""
    with ThreadPoolExecutor(len(STEPS) if LONG else 4) as pool:
        outcomes = dict(zip(STEPS, pool.map(hang_at, STEPS), strict=True))
    for step, (code, off_s) in outcomes.items():
        assert code == EXIT_HUNG, step
        noted(f"guard hangs at step {step}", off_s, bound_s=TIMERS.bitten_s)


def hang_at(step: str) -> tuple[int, float]:
    """Let a live service hang at a step while it heats: its exit code and the time to OFF [s]."""
    with start_broker() as broker, tempfile.TemporaryDirectory() as folder:
        workshop = Workshop(Path(folder), broker.port, SystemClock())
        with live(workshop, step=step, how="hang") as service:
            heating_live(workshop)
            service.strike()
            if step == "record":
                workshop.values["loop-return"] = 25.0  # what changes makes a row
            code = service.ended(TIMERS.hang_s + 30.0)
            struck_s = service.struck_mono_s
            within(10.0, lambda: workshop.relay.first_off_after(struck_s) < math.inf)
        workshop.end()
    return code, workshop.relay.first_off_after(struck_s)

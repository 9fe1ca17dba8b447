"""The guard's process as a whole stands still, or one thread of it that no tick depends on."""

from __future__ import annotations

import signal
from collections.abc import Callable

from controller.clock import SystemClock
from controller.watchdog import EXIT_HUNG
from tests.faults.bench import Service, Workshop, heating_live, live, within
from tests.faults.conftest import RunningBroker
from tests.faults.timers import TIMERS

Make = Callable[..., Workshop]
Noted = Callable[..., None]


def test_a_guard_that_is_frozen_is_off_by_its_will(
    broker: RunningBroker, make_live: Make, noted: Noted
) -> None:
    """No watchdog of its own can run then. Thawed, it ends as hung, or says OFF before all else."""
    workshop = make_live(broker.port)
    with live(workshop) as service:
        heating_live(workshop)
        frozen_s = SystemClock().now().mono_s
        service.process.send_signal(signal.SIGSTOP)
        within(TIMERS.will_s + 30.0, lambda: not workshop.relay.closed)
        off_s = workshop.relay.first_off_after(frozen_s)
        told = len(workshop.relay.heard)
        service.process.send_signal(signal.SIGCONT)
        within(TIMERS.silence_s + 60.0, lambda: ended_or_told(workshop, service, told))
        assert all(b"false" in h.payload for h in workshop.relay.heard[told : told + 1])
    noted("guard's process frozen", off_s, bound_s=TIMERS.will_s)


def ended_or_told(workshop: Workshop, service: Service, told: int) -> bool:
    """Whether the service has ended itself, or the relay has heard of it again."""
    return service.process.poll() == EXIT_HUNG or len(workshop.relay.heard) > told


def test_a_relay_connection_whose_thread_hangs_is_off_by_its_will(
    broker: RunningBroker, make_live: Make, noted: Noted
) -> None:
    """Ticks go on, but nothing they say goes out any more, and neither do pings."""
    workshop = make_live(broker.port)
    with live(workshop, step="relay's network thread", how="hang") as service:
        heating_live(workshop)
        service.strike()
        within(TIMERS.will_s + 30.0, lambda: not workshop.relay.closed)
        assert service.struck_mono_s is not None
        off_s = workshop.relay.first_off_after(service.struck_mono_s)
    noted("relay's network thread hangs", off_s, bound_s=TIMERS.will_s)

"""The guard's process as a whole stands still, or one thread of it that no tick depends on."""

from __future__ import annotations

import signal
from collections.abc import Callable

from controller.clock import SystemClock
from controller.watchdog import EXIT_HUNG
from tests.faults.bench import Workshop, heating_live, live, within
from tests.faults.conftest import RunningBroker
from tests.faults.timers import TIMERS

Make = Callable[..., Workshop]
Noted = Callable[..., None]


def test_a_guard_that_is_frozen_is_off_by_its_will_and_does_not_wake(
    broker: RunningBroker, make_live: Make, noted: Noted
) -> None:
    """No watchdog of its own can run then; thawed, it finds that it has hung, and ends."""
    workshop = make_live(broker.port)
    with live(workshop) as service:
        heating_live(workshop)
        frozen_s = SystemClock().now().mono_s
        service.process.send_signal(signal.SIGSTOP)
        within(TIMERS.will_s + 30.0, lambda: not workshop.relay.closed)
        off_s = workshop.relay.first_off_after(frozen_s)
        obeyed = workshop.relay.accepted()
        within(TIMERS.hang_s + 5.0, lambda: SystemClock().now().mono_s - frozen_s > TIMERS.hang_s)
        service.process.send_signal(signal.SIGCONT)
        assert service.ended() == EXIT_HUNG
        assert workshop.relay.accepted() == obeyed
    noted("guard's process frozen", off_s, bound_s=TIMERS.will_s)


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
    noted("network thread of the relay's connection hangs", off_s, bound_s=TIMERS.will_s)

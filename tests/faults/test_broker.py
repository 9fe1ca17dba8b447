"""The broker fails: whatever it does, the relay's own clock has the last word."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable

from controller.clock import SystemClock
from controller.records.limits import LEASE_S
from controller.records.safety import Severity
from tests.faults.bench import COMMANDS, Workshop, heating_live, live, within
from tests.faults.conftest import RunningBroker
from tests.faults.flood import flooding
from tests.faults.pacing import Paced
from tests.faults.relay_on_wire import RelayOnWire
from tests.faults.timers import LONG, TIMERS

Noted = Callable[..., None]
RELAY = "relay's own"
WILL = b'{"heat":false}'


def test_a_broker_that_is_killed_leaves_the_relay_to_its_lease(
    paced: Paced, broker: RunningBroker, noted: Noted
) -> None:
    """The contact opens a lease after the last renewal, though nobody can tell it to."""
    paced.start()
    paced.tick_until(heating=True)
    paced.step()
    os.kill(broker.pid, signal.SIGKILL)
    off_s = paced.open_after(at_most_s=200.0)
    noted("broker killed", off_s, bound_s=LEASE_S, clock=RELAY)
    paced.trusting = False
    within(10.0, lambda: paced.tick() or "relay_reachable" in weighing_off(paced), pause_s=0.05)


def test_a_broker_that_has_forgotten_everything_hears_off_first(
    paced: Paced, broker: RunningBroker
) -> None:
    """After a restart the first word is OFF, kept for whoever comes later; then heat goes on."""
    relay = paced.workshop.relay
    paced.start()
    paced.tick_until(heating=True)
    broker.go_away()
    within(5.0, lambda: not relay.listening.is_set())
    told, obeyed = len(relay.heard), len(relay.accepted())
    broker.come_back()
    paced.trusting = False  # the sensors' connection may be back later than the relay's
    within(20.0, lambda: len(relay.heard) > told)
    assert all(b"false" in h.payload for h in relay.heard[told:])
    late = listener(paced, broker)
    within(5.0, lambda: late.heard)
    assert (late.heard[0].retained, b"false" in late.heard[0].payload) == (True, True)
    late.end()
    within(20.0, lambda: paced.tick() or len(relay.accepted()) > obeyed, pause_s=0.05)


def weighing_off(paced: Paced) -> set[str]:
    """The rules that withhold heat in the decision recorded last."""
    return {v.rule for v in paced.workshop.last().verdicts if v.severity >= Severity.OFF}


def listener(paced: Paced, broker: RunningBroker) -> RelayOnWire:
    """Another relay that comes later and hears what the broker has kept."""
    return RelayOnWire(
        broker.port,
        type(paced.workshop.relay.board)(started_mono_s=paced.clock.now().mono_s),
        paced.clock,
        command_topic=COMMANDS,
        report_topic=None,
        answers=False,
    )


def test_a_renewal_that_waited_in_a_frozen_broker_is_refused(
    paced: Paced, broker: RunningBroker, noted: Noted
) -> None:
    """Frozen with renewals inside, thawed after their lease: the relay takes none of them."""
    relay = paced.workshop.relay
    paced.start()
    paced.tick_until(heating=True)
    paced.step()
    os.kill(broker.pid, signal.SIGSTOP)
    try:
        paced.trusting = False
        paced.pass_time(10.0)
        paced.tick(3)
        told, off_s = len(relay.heard), 40.0 + paced.open_after(at_most_s=200.0)
        paced.pass_time(5.0)
    finally:
        os.kill(broker.pid, signal.SIGCONT)
    within(10.0, lambda: len(relay.heard) >= told + 3)
    waited = relay.heard[told : told + 3]
    assert [(b"true" in h.payload, h.receipt.accepted) for h in waited] == [(True, False)] * 3
    assert not relay.closed
    noted("broker frozen", off_s, bound_s=LEASE_S, clock=RELAY)
    within(20.0, lambda: paced.tick() or relay.closed, pause_s=0.05)


def test_a_renewal_held_up_for_less_than_a_lease_adds_nothing_to_it(
    paced: Paced, broker: RunningBroker, noted: Noted
) -> None:
    """Frozen, thawed just before the lease is over, then gone: no heat beyond the lease."""
    relay = paced.workshop.relay
    paced.start()
    paced.tick_until(heating=True)
    paced.step()
    os.kill(broker.pid, signal.SIGSTOP)
    since_mono_s = paced.clock.now().mono_s
    paced.trusting = False
    paced.pass_time(10.0)
    told = len(relay.heard)
    paced.step()
    paced.pass_time(LEASE_S - 15.0)
    os.kill(broker.pid, signal.SIGCONT)
    within(10.0, lambda: len(relay.heard) > told)
    late = relay.heard[told]
    assert (b"true" in late.payload, late.receipt.accepted, relay.closed) == (True, True, True)
    os.kill(broker.pid, signal.SIGKILL)
    off_s = LEASE_S - 5.0 + paced.open_after(at_most_s=300.0)
    assert off_s == paced.clock.now().mono_s - since_mono_s
    noted("broker frozen for less than a lease, then killed", off_s, bound_s=LEASE_S, clock=RELAY)


def test_the_will_of_a_guard_that_dies_in_front_of_a_frozen_broker_is_kept_for_the_thaw(
    paced: Paced, broker: RunningBroker
) -> None:
    """Until then the lease counts; at the thaw a renewal that waited is followed by the will."""
    relay = paced.workshop.relay
    service = paced.start()
    paced.tick_until(heating=True)
    os.kill(broker.pid, signal.SIGSTOP)
    paced.trusting = False
    paced.step()
    service.end()
    paced.pass_time(60.0)
    assert relay.closed
    os.kill(broker.pid, signal.SIGCONT)
    # the renewal may be lost with the connection, but not the will, and it comes last
    within(10.0, lambda: relay.heard[-1].payload == WILL)
    assert not relay.closed


def test_a_flood_on_one_topic_disturbs_neither_control_nor_memory(
    broker: RunningBroker, make_live: Callable[..., Workshop], noted: Noted
) -> None:
    """10,000 messages a second: heat is renewed, a hot slab ends it, and memory stays bounded."""
    workshop = make_live(broker.port)
    with live(workshop) as service:
        heating_live(workshop)
        before_mb = service.resident_mb()
        with flooding(broker.port, "tern-quay/outdoor") as flood:
            for _ in range(20 if LONG else 5):  # seconds
                renewed = len(workshop.relay.accepted())
                within(2.0 * TIMERS.tick_s + 2.0, lambda n=renewed: obeyed(workshop) > n)
                threading.Event().wait(1.0)
            workshop.values["loop-supply"] = 58.0
            began_s = SystemClock().now().mono_s
            # how soon depends on how much of the flood this machine can take in
            within(LEASE_S, lambda: not workshop.relay.closed)
            off_s = SystemClock().now().mono_s - began_s
        grown_mb = service.resident_mb("VmHWM") - before_mb
    print(
        f"{flood.rate:.0f} messages/s for {flood.seconds:.0f} s: memory grew by {grown_mb:.0f} MB"
    )
    assert flood.rate > 5_000.0  # a busy machine does not send more
    assert grown_mb < 40.0
    noted("broker flooded, then supply too hot", off_s, bound_s=LEASE_S)


def obeyed(workshop: Workshop) -> int:
    return len(workshop.relay.accepted())

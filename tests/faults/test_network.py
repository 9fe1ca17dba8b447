"""The network is parted, between service and broker or between broker and relay."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from controller.clock import SystemClock
from controller.records.limits import LEASE_S
from tests.faults.bench import Workshop, heating_live, live, within
from tests.faults.conftest import RunningBroker
from tests.faults.pacing import Paced, paced_workshop
from tests.faults.proxy import DOWN, UP, Proxy
from tests.faults.timers import LONG, TIMERS

Noted = Callable[..., None]
CUTS = {"both ways": (UP, DOWN), "to the broker": (UP,), "from the broker": (DOWN,)}
AGAIN_S = 2.0 * TIMERS.silence_s + 60.0
"""Longest time until a service that has lost its broker is back, retries included [s]."""


@pytest.fixture
def stretch(broker: RunningBroker) -> Iterator[Proxy]:
    """The network that somebody is to be parted from the broker by."""
    made = Proxy(broker.port)
    yield made
    made.end()


@pytest.mark.parametrize("parted", CUTS if LONG else ["both ways", "from the broker"])
def test_a_service_that_is_parted_from_the_broker_is_off_by_its_will(
    broker: RunningBroker,
    make_live: Callable[..., Workshop],
    stretch: Proxy,
    noted: Noted,
    parted: str,
) -> None:
    """Silence is noticed by the keep-alive, on one end or the other; mended, heat goes on."""
    workshop = make_live(broker.port, service_port=stretch.port)
    with live(workshop):
        heating_live(workshop)
        cut_s = SystemClock().now().mono_s
        stretch.cut(*CUTS[parted])
        within(TIMERS.silence_s + 30.0, lambda: not workshop.relay.closed)
        off_s = workshop.relay.first_off_after(cut_s)
        stretch.mend()
        within(AGAIN_S, lambda: workshop.relay.closed)
    noted(f"service parted from the broker, {parted}", off_s, bound_s=longest_s(parted))


def longest_s(parted: str) -> float:
    """The broker's keep-alive where it does not hear the service, else the service's own."""
    return TIMERS.silence_s if parted == "from the broker" else TIMERS.will_s


def test_half_a_command_is_none(
    broker: RunningBroker, make_live: Callable[..., Workshop], stretch: Proxy, noted: Noted
) -> None:
    """A network cut in the middle of a packet: the rest of it, when it comes, warms nobody."""
    workshop = make_live(broker.port, service_port=stretch.port)
    with live(workshop):
        heating_live(workshop)
        cut_s = SystemClock().now().mono_s
        stretch.cut_after(UP, 20)  # an ON has some 120 bytes
        within(TIMERS.will_s + 30.0, lambda: not workshop.relay.closed)
        off_s = workshop.relay.first_off_after(cut_s)
        obeyed = workshop.relay.accepted()
        workshop.values["loop-return"] = 25.0  # nothing wants heat any more
        stretch.mend()
        # the first word of the new connection
        within(AGAIN_S, lambda: b"seq" in workshop.relay.heard[-1].payload)
        assert workshop.relay.accepted() == obeyed
    noted(
        "service parted from the broker, in mid-packet",
        off_s,
        bound_s=TIMERS.will_s + TIMERS.tick_s,
    )


@pytest.mark.parametrize("parted", CUTS)
def test_a_relay_that_is_parted_from_the_broker_counts_its_lease(
    tmp_path, broker: RunningBroker, stretch: Proxy, noted: Noted, parted: str
) -> None:
    """It hears nothing, or nobody hears it; without the lease it would heat for as long as that."""
    with paced_workshop(tmp_path, broker.port, relay_port=stretch.port) as paced:
        paced.start()
        paced.tick_until(heating=True)
        paced.step()
        stretch.cut(*CUTS[parted])
        paced.trusting = False
        off_s = heat_that_is_left(paced)
        noted(
            f"relay parted from the broker, {parted}", off_s, bound_s=LEASE_S, clock="relay's own"
        )
        stretch.mend()
        paced.tick()
        within(30.0, lambda: paced.tick() or paced.workshop.relay.closed, pause_s=0.1)


def heat_that_is_left(paced: Paced) -> float:
    """Tick on, as the service knows nothing of it, until the contact is open [s]."""
    for second in range(1, 400):
        paced.pass_time(1.0)
        if not paced.workshop.relay.closed:
            return float(second)
        if second % 10 == 0:
            paced.step()
    raise AssertionError("the contact stays closed")

"""Who may speak to a relay: one service at a time, whose first and last word is OFF."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from controller.clock import SystemClock
from tests.faults.bench import COMMANDS, LEASES, ROOT, Service, Workshop, heating_live, live, within
from tests.faults.conftest import RunningBroker
from tests.faults.pacing import Paced, paced_workshop
from tests.faults.timers import LONG, TIMERS

Make = Callable[..., Workshop]
Noted = Callable[..., None]
WILL = b'{"heat":false}'
NAME = "slabtide-tern-quay_boiler"
"""Under which the service holds its relay at the broker."""
DROP_OUT_S = 180.0


@contextmanager
def impostor(port: int, protocol: str) -> Iterator[None]:
    """Another client under the service's name, which insists: it comes back when thrown out."""
    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        client_id=NAME,
        protocol=paho.MQTTv5 if protocol == "5" else paho.MQTTv311,
    )
    client.reconnect_delay_set(1, 1)
    client.connect_async("127.0.0.1", port)
    client.loop_start()
    try:
        yield
    finally:
        client.disconnect()
        client.loop_stop()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"] if LONG else ["5"])
def test_a_session_that_is_taken_over_is_off_and_the_end(
    broker: RunningBroker, make_live: Make, noted: Noted, protocol: str
) -> None:
    """The will says OFF at once; the service sees that it was robbed, and ends with code 1."""
    workshop = make_live(broker.port, protocol=protocol)
    with live(workshop) as service:
        heating_live(workshop)
        taken_s = SystemClock().now().mono_s
        with impostor(broker.port, protocol):
            within(10.0, lambda: not workshop.relay.closed)
            # Mosquitto 2.0.11 gives no reason: three connections that do not last show it
            assert service.ended(60.0) == 1
            off_s = workshop.relay.first_off_after(taken_s)
            assert not workshop.relay.closed
    assert "another client has taken the session" in service.errors.read_text()
    told = [n.text for d in workshop.decisions() for n in d.notices]
    assert "Another client has taken the session to a relay." in told
    noted(f"session taken over, MQTT {protocol}", off_s, bound_s=2.0)


def test_a_clean_stop_is_off_and_kept(broker: RunningBroker, make_live: Make, noted: Noted) -> None:
    """SIGTERM: one OFF, retained, no will after it, code 0."""
    workshop = make_live(broker.port)
    with live(workshop) as service:
        heating_live(workshop)
        told_s = SystemClock().now().mono_s
        service.process.send_signal(signal.SIGTERM)
        assert service.ended() == 0
    within(2.0, lambda: not workshop.relay.closed)
    offs = [h for h in workshop.relay.heard if h.real_s >= told_s and b"false" in h.payload]
    assert offs
    assert WILL not in [h.payload for h in offs]
    assert "was stopped" in workshop.decisions()[-1].notices[0].text
    noted("clean stop", workshop.relay.first_off_after(told_s), bound_s=TIMERS.tick_s + 2.0)


def test_start_means_off(paced: Paced) -> None:
    """A relay that somebody else has left on is told OFF before anything else."""
    relay = paced.workshop.relay
    left_on = b'{"heat": true, "seq": 5, "issued": 5, "lease_s": 120, "answers_s": 0}'
    paced.workshop.mouth.publish(COMMANDS, left_on)
    within(5.0, lambda: relay.closed)
    paced.start()
    paced.step()
    assert relay.heard[1].payload == WILL
    assert not relay.closed


def test_a_second_service_on_one_site_refuses(broker: RunningBroker, make_live: Make) -> None:
    """Code 1 and a sentence; the first one's heat is not touched."""
    workshop = make_live(broker.port)
    with live(workshop):
        heating_live(workshop)
        told = len([h for h in workshop.relay.heard if b"false" in h.payload])
        second = Service(workshop)
        assert second.ended() == 1
        assert "another service already runs on this site" in second.errors.read_text()
        obeyed = len(workshop.relay.accepted())
        within(TIMERS.tick_s + 10.0, lambda: len(workshop.relay.accepted()) > obeyed)
        assert len([h for h in workshop.relay.heard if b"false" in h.payload]) == told


def test_a_relay_without_leases_and_without_a_timer_is_not_used(paced: Paced) -> None:
    """``run`` refuses to start, names file, line and column, and says nothing to the relay."""
    workshop = paced.workshop
    text = workshop.site_path.read_text()
    workshop.site_path.write_text(text.replace(LEASES, LEASES.replace("true", "false")))
    command = [sys.executable, "-m", "controller", "run", "--site", str(workshop.site_path)]
    outcome = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert outcome.returncode == 2
    line = next(n for n, row in enumerate(text.splitlines(), 1) if row == LEASES.strip("\n"))
    assert f"{workshop.site_path}:{line}:" in outcome.stderr
    assert "drop_out_s" in outcome.stderr
    assert workshop.relay.heard == []


@pytest.fixture
def timed(broker: RunningBroker, tmp_path: Path) -> Iterator[Paced]:
    """A workshop whose relay knows no leases and has a hard-wired timer."""
    with paced_workshop(tmp_path, broker.port, drop_out_s=DROP_OUT_S) as made:
        yield made


def test_a_relay_without_leases_obeys_the_will(timed: Paced) -> None:
    """While there is a broker, a guard that dies is off at once here too."""
    service = timed.start()
    timed.tick_until(heating=True)
    service.end()
    within(5.0, lambda: not timed.workshop.relay.closed)
    assert timed.workshop.relay.heard[-1].payload == WILL


def test_a_relay_without_leases_falls_back_on_its_timer(
    timed: Paced, broker: RunningBroker, noted: Noted
) -> None:
    """Without a broker only the timer is left."""
    timed.start()
    timed.tick_until(heating=True)
    timed.step()
    os.kill(broker.pid, signal.SIGKILL)
    off_s = timed.open_after(at_most_s=DROP_OUT_S + 60.0)
    fault = f"broker killed, relay without leases but with a timer of {DROP_OUT_S:g} s"
    noted(fault, off_s, bound_s=DROP_OUT_S, clock="relay's own")


def test_a_relay_without_lease_and_timer_is_for_hardware_alone(
    broker: RunningBroker, tmp_path: Path
) -> None:
    """Said to drop out and does not, as one that is welded: no software ends this heat."""
    with paced_workshop(tmp_path, broker.port, drop_out_s=math.inf) as paced:
        paced.start()
        paced.tick_until(heating=True)
        os.kill(broker.pid, signal.SIGKILL)
        assert paced.workshop.relay.board.heat(paced.clock.now().mono_s + 86400.0)

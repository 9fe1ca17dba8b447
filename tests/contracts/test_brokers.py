"""Starting and ending a private broker."""

from __future__ import annotations

import os
import socket

import pytest

from controller import brokers
from controller.brokers import BrokerNotStarted, mosquitto_path, start_broker


def is_open(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1.0).close()
    except OSError:
        return False
    return True


def test_a_broker_is_there_for_the_block_and_gone_after_it(broker):
    """Its port answers, on the loopback address, and is free again at the end."""
    port = broker.private.port
    assert broker.private.host == "127.0.0.1"
    assert is_open(port)
    broker.go_away()
    assert not is_open(port)
    with pytest.raises(ProcessLookupError):
        os.kill(broker.private.pid, 0)


def test_every_broker_is_a_fresh_one(broker, peer, eventually):
    """Nothing that the one before was told to keep is left."""
    peer().say("kept", b"1", qos=1, retain=True)
    broker.go_away()
    broker.come_back()
    listener = peer("kept", "marker")
    eventually(lambda: listener.say("marker", b"2") or listener.heard)
    assert {message.topic for message in listener.heard} == {"marker"}


def test_auto_needs_no_installation(monkeypatch):
    """Without Mosquitto it is amqtt."""
    monkeypatch.setattr(brokers, "mosquitto_path", lambda: None)
    with start_broker() as running:
        assert running.kind == "amqtt"
        assert is_open(running.port)


@pytest.mark.skipif(mosquitto_path() is None, reason="mosquitto is not installed")
def test_auto_prefers_mosquitto():
    """Where it is installed."""
    with start_broker() as running:
        assert running.kind == "mosquitto"


def test_asking_for_a_broker_that_is_not_installed(monkeypatch):
    """A clear error, not amqtt in disguise."""
    monkeypatch.setattr(brokers, "mosquitto_path", lambda: None)
    with pytest.raises(BrokerNotStarted, match="not installed"), start_broker("mosquitto"):
        pass


def test_an_unknown_kind():
    """The message names those that there are."""
    with pytest.raises(ValueError, match="auto, mosquitto, amqtt"), start_broker("pigeon"):
        pass


def test_a_port_that_is_taken():
    """The error holds the broker's own words, and comes at once, not at a deadline."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(BrokerNotStarted, match=str(port)), start_broker("amqtt", port=port):
            pass

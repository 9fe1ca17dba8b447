"""A client that floods a broker, spoken straight into a socket (MQTT 3.1.1, sections 2, 3.1, 3.3).

A client library in the same process would take the time that the intake under test needs.
"""

from __future__ import annotations

import socket
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable

from controller.records.site import Broker

RATE_HZ = 10_000
STEP_S = 0.02


def text(value: str) -> bytes:
    data = value.encode()
    return len(data).to_bytes(2, "big") + data


def packet(kind: int, body: bytes) -> bytes:
    """A control packet; its length is written in groups of seven bits, the lowest first."""
    left, length = len(body), bytearray()
    while True:
        left, group = left >> 7, left & 0x7F
        length.append(group | (0x80 if left else 0))
        if not left:
            return bytes((kind, *length)) + body


def publish(topic: str, payload: str) -> bytes:
    return packet(0x30, text(topic) + payload.encode())


class Flood:
    """Says something 10,000 times a second on one topic, and now and then something on others.

    Parameters
    ----------
    broker : Broker
    topic : str
        The one that is flooded.
    word : callable
        Number of the message -> payload.
    """

    def __init__(self, broker: Broker, topic: str, word: Callable[[int], str]) -> None:
        self.sent: Counter[str] = Counter()
        self._topic, self._word = topic, word
        self._socket = socket.create_connection((broker.host, broker.port))
        connect = text("MQTT") + bytes((4, 2)) + (60).to_bytes(2, "big") + text("flood")
        self._socket.sendall(packet(0x10, connect))
        if self._socket.recv(4) != bytes((0x20, 2, 0, 0)):
            raise ConnectionError("the broker does not let the flood in")

    def run(
        self,
        ended: threading.Event,
        *,
        seconds: float,
        quiet: Iterable[str] = (),
        quiet_each_s: float = 0.1,
        quiet_word: Callable[[str], str] = lambda topic: "18.5",
    ) -> None:
        """Flood for a time, or until ended; the quiet topics speak as often as is said."""
        quiet, began_s, step = tuple(quiet), time.monotonic(), 0
        every = round(quiet_each_s / STEP_S)
        while step * STEP_S < seconds and not ended.is_set():
            each = round(RATE_HZ * STEP_S)
            burst = b"".join(publish(self._topic, self._word(n)) for n in range(each))
            self.sent[self._topic] += each
            if step % every == 0:
                burst += b"".join(publish(topic, quiet_word(topic)) for topic in quiet)
                self.sent.update(quiet)
            self._socket.sendall(burst)
            step += 1
            ended.wait(max(0.0, began_s + step * STEP_S - time.monotonic()))
        self._socket.sendall(packet(0xE0, b""))
        self._socket.close()

"""A client that sends small messages on one topic as fast as it is told to."""

from __future__ import annotations

import contextlib
import json
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass

BATCH = 200


@dataclass
class Flood:
    """What has been sent."""

    messages: int = 0
    seconds: float = 0.0

    @property
    def rate(self) -> float:
        """Messages a second."""
        return self.messages / self.seconds if self.seconds else 0.0


def _packet(kind: int, body: bytes) -> bytes:
    """A control packet of at most 127 bytes (MQTT 3.1.1 section 2.2)."""
    assert len(body) < 128
    return bytes([kind, len(body)]) + body


def _text(text: str) -> bytes:
    return len(text).to_bytes(2, "big") + text.encode()


CONNECT = _packet(0x10, _text("MQTT") + b"\x04\x02\x00\x00" + _text("flood"))
"""Clean session, no keep-alive, client id *flood* (section 3.1)."""


@contextlib.contextmanager
def flooding(port: int, topic: str, *, per_s: float = 10_000.0) -> Iterator[Flood]:
    """Publish at QoS 0 all the while, each time another number."""
    flood, ended = Flood(), threading.Event()
    connection = socket.create_connection(("127.0.0.1", port))
    connection.sendall(CONNECT)
    assert connection.recv(4)[:1] == b"\x20"

    def send() -> None:
        began_s = time.monotonic()
        while not ended.is_set():
            due_s = began_s + flood.messages / per_s
            ended.wait(max(0.0, due_s - time.monotonic()))
            batch = b"".join(
                _packet(0x30, _text(topic) + json.dumps({"value": 1.0 + n % 7, "time": 1}).encode())
                for n in range(BATCH)
            )
            connection.sendall(batch)
            flood.messages += BATCH
            flood.seconds = time.monotonic() - began_s

    sender = threading.Thread(target=send, daemon=True)
    sender.start()
    try:
        yield flood
    finally:
        ended.set()
        sender.join(10.0)
        connection.close()

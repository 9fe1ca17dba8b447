"""A relay stand-in at the broker, with a connection and a clock of its own."""

from __future__ import annotations

import json
import math
import threading
from dataclasses import dataclass

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from controller.clock import Clock, SystemClock
from controller.rehearsal.relay_board import LeaseBoard, PlainBoard, Receipt

Board = LeaseBoard | PlainBoard


@dataclass(frozen=True)
class Heard:
    """One message at the relay, and what became of it.

    ``mono_s`` is the relay's own time, ``real_s`` the machine's monotonic time [s].
    """

    mono_s: float
    real_s: float
    payload: bytes
    retained: bool
    receipt: Receipt


class RelayOnWire:
    """A relay that listens to its command topic and may report.

    Parameters
    ----------
    port : int
        Of the broker, or of what stands between it and the relay.
    board : LeaseBoard or PlainBoard
    clock : Clock
        The relay's own.
    command_topic : str
    report_topic : str or None
    answers : bool
        Whether it reports after each command too, as a board does; a paced test says when.
    """

    def __init__(
        self,
        port: int,
        board: Board,
        clock: Clock,
        *,
        command_topic: str,
        report_topic: str | None,
        answers: bool,
    ) -> None:
        self.board, self._clock = board, clock
        self._topic, self._report_topic, self._answers = command_topic, report_topic, answers
        self.heard: list[Heard] = []
        self.closed_s: list[float] = []
        self._lock = threading.Lock()
        self.listening = threading.Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
        self.client.on_connect = lambda client, *_: client.subscribe(command_topic, qos=1)
        self.client.on_subscribe = lambda *_: self.listening.set()
        self.client.on_disconnect = lambda *_: self.listening.clear()
        self.client.on_message = self._on_message
        self.client.reconnect_delay_set(1, 1)
        self.client.connect_async("127.0.0.1", port)
        self.client.loop_start()

    @property
    def closed(self) -> bool:
        """Whether the contact is closed now."""
        return self.board.heat(self._clock.now().mono_s)

    def sample(self) -> None:
        """Note this second of a stepped clock if the contact is closed in it."""
        if self.closed:
            self.closed_s.append(self._clock.now().mono_s)

    def most_in_any(self, window_s: float) -> int:
        """Most seconds with the contact closed in any window of this length; see ``sample``."""
        best = first = 0
        for last, mono_s in enumerate(self.closed_s):
            while self.closed_s[first] <= mono_s - window_s:
                first += 1
            best = max(best, last - first + 1)
        return best

    def report(self) -> bool:
        """Report now; whether there is anything to report by."""
        if self._report_topic is None or not isinstance(self.board, LeaseBoard):
            return False
        self.client.publish(self._report_topic, self.board.report(self._clock.now().mono_s))
        return True

    def first_off_after(self, real_s: float) -> float:
        """How long after a moment of real time the first OFF came, infinity for none yet [s]."""
        offs = [h.real_s for h in list(self.heard) if h.real_s >= real_s and b"false" in h.payload]
        return min(offs, default=math.inf) - real_s

    def last_sequence(self) -> int:
        """The highest that any command has had, -1 before the first."""
        return max((json.loads(h.payload).get("seq", -1) for h in self.heard), default=-1)

    def accepted(self) -> list[bytes]:
        """All ON that were obeyed, in order."""
        return [h.payload for h in self.heard if h.receipt.accepted and b"true" in h.payload]

    def end(self) -> None:
        """Leave the broker."""
        self.client.disconnect()
        self.client.loop_stop()

    def _on_message(self, client: paho.Client, userdata: object, message: paho.MQTTMessage) -> None:
        if message.topic != self._topic:  # amqtt hands out retained messages nobody asked for
            return
        with self._lock:
            mono_s, payload = self._clock.now().mono_s, bytes(message.payload)
            receipt = self.board.receive(payload, mono_s)
            real_s = SystemClock().now().mono_s
            self.heard.append(Heard(mono_s, real_s, payload, message.retain, receipt))
        if self._answers:
            self.report()

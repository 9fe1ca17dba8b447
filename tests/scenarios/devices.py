"""What hangs on the wires of the stage: sensors that can be meddled with, and a relay board.

Neither knows anything of the service but the bytes that go to and fro.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from controller.records.decision import Command
from controller.records.instant import Instant
from controller.records.site import Heater, Output, Role, Sensor, ZoneValve
from controller.rehearsal.building import normalised, value_for
from controller.rehearsal.relay_board import LeaseBoard
from controller.rehearsal.wired_outputs import PUMP_W
from controller.relays.mqtt import Report, command_payload, parse_report
from controller.sensors.decode import Message
from controller.units import to_house

SENSE_S = 60.0
"""Time between two messages of a sensor [s]."""

Meddling = Callable[[float], float | None]
"""What a faulty sensor sends instead of a value in its own unit; None for no message."""


def silent(value: float) -> None:
    """A sensor that is lost."""


def fixed(value: float) -> Meddling:
    """A sensor that says the same whatever is."""
    return lambda _: value


class Wires:
    """The sensors of one site, each on its topic; and what lies in the broker for the service.

    Parameters
    ----------
    sensors : iterable of Sensor
    """

    def __init__(self, sensors: tuple[Sensor, ...]) -> None:
        self._sensors = {s.id: s for s in sensors if s.role is not Role.RELAY_STATE}
        self._topics = {name: s.topic for name, s in self._sensors.items()}
        self._meddling: dict[str, Meddling] = {}
        self.sent: dict[str, list[float]] = {name: [] for name in self._sensors}
        """When each sensor has sent something, on its own right clock [UTC s]."""
        self._waiting: list[Message] = []
        self._sequence = 0

    def meddle(self, sensor: str, how: Meddling) -> None:
        """Have a sensor send something else from now on."""
        assert sensor in self._sensors
        self._meddling[sensor] = how

    def repair(self, sensor: str) -> None:
        """Have a sensor send the truth again."""
        del self._meddling[sensor]

    def swap(self, one: str, other: str) -> None:
        """Have two sensors send on one another's topics."""
        self._topics[one], self._topics[other] = self._topics[other], self._topics[one]

    def sense(self, values: Mapping[str, float], *, true_s: float, at: Instant) -> None:
        """Each sensor sends what it has measured, with the time of its own (right) clock."""
        known = normalised(values)
        for name, sensor in self._sensors.items():
            value = value_for(known, sensor.role, sensor.subject)
            sent = None if value is None else _in_unit(sensor, value)
            if sent is not None and name in self._meddling:
                sent = self._meddling[name](sent)
            if sent is not None:
                self.sent[name].append(true_s)
                document = _document(sensor, sent, true_s)
                self.publish(self._topics[name], document, at=at)

    def retain(self, values: Mapping[str, float], *, true_s: float, at: Instant) -> None:
        """The broker hands out what it has held of each sensor since some moment [UTC s]."""
        known = normalised(values)
        for sensor in self._sensors.values():
            value = value_for(known, sensor.role, sensor.subject)
            if value is not None:
                document = _document(sensor, _in_unit(sensor, value), true_s)
                self.publish(sensor.topic, document, at=at, retained=True)

    def publish(self, topic: str, payload: bytes, *, at: Instant, retained: bool = False) -> None:
        """One message reaches the service."""
        self._sequence += 1
        self._waiting.append(Message(topic, payload, retained, at, self._sequence))

    def drain(self) -> list[Message]:
        """The messages since the last call: the service's end."""
        taken, self._waiting = self._waiting, []
        return taken

    def take_lost(self) -> dict[str, int]:
        """No wire of the stage loses anything."""
        return {}


def _document(sensor: Sensor, value: float, true_s: float) -> bytes:
    if sensor.value_pointer is None:
        return json.dumps(value).encode()
    fields = {sensor.value_pointer.lstrip("/"): value}
    if sensor.time_pointer is not None:
        fields[sensor.time_pointer.lstrip("/")] = true_s
    return json.dumps(fields).encode()


def _in_unit(sensor: Sensor, value: float) -> float:
    """A value as the sensor would report it: every unit is a straight line of the house's."""
    zero, one = (to_house(x, sensor.unit, pulses_per_kwh=sensor.pulses_per_kwh) for x in (0.0, 1.0))
    return (value - zero) / (one - zero)


@dataclass(frozen=True, slots=True)
class Heard:
    """One message as it came to the board, on the board's clock."""

    at_s: float
    payload: bytes
    accepted: bool


class RelayLine:
    """The way to one relay board, the board, its contact, and all that was ever said to it.

    Time here is that of the stage, which no clock of the service can move [s].

    Parameters
    ----------
    switched : Heater or Output
        What the contact switches.
    powered_s : float
        When the board was powered up.
    """

    def __init__(self, switched: Heater | Output, *, powered_s: float) -> None:
        self.switched, self._word = switched, switched.relay.word
        self.heard: list[Heard] = []
        self.now_s = powered_s
        self.connected, self.taken_over = True, False
        self.welded = self.stuck_open = self.mute = False
        self.power_up()
        self._last_report: Report | None = None

    def power_up(self) -> None:
        """The board starts anew, with its contact open."""
        self._board = LeaseBoard(started_mono_s=self.now_s, word=self._word)

    @property
    def closed(self) -> bool:
        """Whether the circuit is closed."""
        return (self._board.heat(self.now_s) or self.welded) and not self.stuck_open

    @property
    def reachable(self) -> bool:
        """Whether an ON can be delivered now."""
        return self.connected and self._last_report is not None

    def take_interruption(self) -> bool:
        """Nothing is lost on this line."""
        return False

    def send(self, command: Command) -> bool:
        """What the guard asks of its relay; delivered at once or not at all."""
        answers_s = None if self._last_report is None else self._last_report.uptime_s
        if not self.connected or (command.heat and answers_s is None):
            return False
        payload = command_payload(command, answers_s=answers_s, word=self._word)
        receipt = self._board.receive(payload, self.now_s)
        self.heard.append(Heard(self.now_s, payload, receipt.accepted))
        return True

    def report(self, at: Instant) -> bytes | None:
        """The board's report as it goes to the broker; None while it is mute."""
        if self.mute:
            return None
        fields = json.loads(self._board.report(self.now_s))
        payload = json.dumps({**fields, self._word: self.closed}).encode()
        self._last_report = parse_report(payload, at, word=self._word)
        return payload


class OutputLine(RelayLine):
    """The same with a pump or a valve at the contact.

    Attributes
    ----------
    seized : bool
        Whether it does not move, whatever its contact does.
    """

    seized = False
    _moved_s = 0.0

    @property
    def lets_through(self) -> bool:
        """Whether the pump turns, or the valve is open."""
        travel_s = self.switched.travel_s if isinstance(self.switched, ZoneValve) else 0.0
        return self._moves and self._moved_s >= travel_s

    @property
    def power_w(self) -> float:
        """What a pump draws [W]."""
        return PUMP_W if self.lets_through else 0.0

    def pass_time(self, seconds: float) -> None:
        """Let a valve travel; one that is told to close is shut at once, which is the worse."""
        self._moved_s = self._moved_s + seconds if self._moves else 0.0

    @property
    def _moves(self) -> bool:
        return self.closed and not self.seized


def fahrenheit(celsius: float) -> float:
    """A sensor set to the wrong scale."""
    return celsius * 1.8 + 32.0


def spiking(*, every: int, low: float, high: float) -> Meddling:
    """A loose contact: each so manieth value is nonsense, low and high in turn."""
    count = 0

    def sent(value: float) -> float:
        nonlocal count
        count += 1
        if count % every:
            return value
        return high if count // every % 2 else low

    return sent

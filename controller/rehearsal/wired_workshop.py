"""A simulated building wired to a broker: its sensors publish, its relay boards listen.

What a real workshop's devices would say, in the topics and forms of the site file.
"""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Mapping
from typing import Any

from paho.mqtt import client as paho

from controller.mqtt_client import new_client
from controller.records.instant import Instant
from controller.records.site import Broker, Heater, Role, Sensor, Site
from controller.rehearsal.building import Building, normalised, value_for
from controller.rehearsal.relay_board import LeaseBoard
from controller.rehearsal.wired_outputs import WiredOutput
from controller.units import to_house

SENSE_S = 60.0
"""Time between two messages of a sensor [s]."""
WAIT_S = 10.0
"""Longest wait for the broker [s, real time]."""


class WiredWorkshop:
    """One heater's building with its sensors and relay boards at a broker.

    Where the site has a circulation pump or zone valves their stand-ins are here too, and heat
    reaches the building only while the pump turns and a loop is open.

    Parameters
    ----------
    building : Building
    site : Site
        Says the topics, pointers and units of the sensors.
    heater : Heater
    broker : Broker
    start : Instant
        The boards power up at this moment.

    Attributes
    ----------
    outputs : dict of str to WiredOutput
        Pump and valves, by id.
    """

    def __init__(
        self, building: Building, *, site: Site, heater: Heater, broker: Broker, start: Instant
    ) -> None:
        self._building, self._heater = building, heater
        self._sensors = [s for s in site.sensors_of(heater) if s.role is not Role.RELAY_STATE]
        self._board = LeaseBoard(started_mono_s=start.mono_s)
        self._loops = site.loops_of(heater)
        self.outputs = {
            output.id: WiredOutput(output, started_mono_s=start.mono_s)
            for output in site.outputs_of(heater)
        }
        self._mono_s = start.mono_s
        self._next_sense_mono_s = start.mono_s
        self._heard, self._messages = 0, 0
        self._news = threading.Condition()
        self._client = self._connect(broker)

    @property
    def heating(self) -> bool:
        """Whether the relay's contact is closed."""
        return self._board.heat(self._mono_s)

    @property
    def mono_s(self) -> float:
        """The boards' own clock [s]."""
        return self._mono_s

    @property
    def heard(self) -> int:
        """Commands that the heater's board has heard."""
        return self._heard

    @property
    def flowing(self) -> bool:
        """Whether what heats the fluid would reach a floor."""
        through = {name: o.lets_through(self._mono_s) for name, o in self.outputs.items()}
        way = any(loop.valve is None or through[loop.valve.id] for loop in self._loops)
        pump = self._heater.pump
        return way and (pump is None or through[pump.id])

    def advance(self, seconds: float) -> None:
        """Let time pass in the building; the boards count their leases meanwhile."""
        self._building.advance(seconds, self.heating and self.flowing)
        for output in self.outputs.values():
            output.advance(seconds, self._mono_s)
        self._mono_s += seconds

    def send_messages(self) -> int:
        """Publish what is due at this moment; the number of all messages so far comes back."""
        if self._mono_s >= self._next_sense_mono_s:
            self._next_sense_mono_s = self._mono_s + SENSE_S
            self._send_readings()
        if self._heater.relay.report_topic is not None:
            self._publish(self._heater.relay.report_topic, self._board.report(self._mono_s))
        for wired in self.outputs.values():
            if wired.output.relay.report_topic is not None:
                self._publish(wired.output.relay.report_topic, wired.board.report(self._mono_s))
        return self._messages

    def wait_for_commands(self, counts: Mapping[str, int]) -> None:
        """Wait until each board has heard so many commands, by heater, pump and valve.

        Raises
        ------
        TimeoutError
            Where the broker does not deliver them.
        """
        with self._news:
            if not self._news.wait_for(lambda: self._have_heard(counts), WAIT_S):
                raise TimeoutError(f"the relays have not heard all of the commands {counts}")

    def _have_heard(self, counts: Mapping[str, int]) -> bool:
        heard = {self._heater.id: self._heard}
        heard |= {name: output.heard for name, output in self.outputs.items()}
        return all(heard[name] >= count for name, count in counts.items())

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()

    def _send_readings(self) -> None:
        values = normalised(self._building.sense())
        at_s = self._building.now.timestamp()
        by_topic: dict[str, Any] = {}
        for sensor in self._sensors:
            wired = self.outputs.get(sensor.subject)
            if wired is not None:
                value = wired.value(sensor, self._mono_s)
            else:
                value = value_for(values, sensor.role, sensor.subject)
            if value is not None:
                by_topic[sensor.topic] = _with(by_topic.get(sensor.topic), sensor, value, at_s)
        for topic, document in by_topic.items():
            self._publish(topic, json.dumps(document).encode())

    def _publish(self, topic: str, payload: bytes) -> None:
        self._client.publish(topic, payload, qos=0)
        self._messages += 1

    def _connect(self, broker: Broker) -> paho.Client:
        ready = threading.Event()
        client = new_client(broker, client_id="", reconnects=True)
        client.on_subscribe = lambda *_: ready.set()
        client.on_message = self._on_command
        client.on_socket_open = _send_at_once
        client.connect(broker.host, broker.port)
        topics = [self._heater.relay.command_topic]
        topics += [wired.output.relay.command_topic for wired in self.outputs.values()]
        client.subscribe([(topic, 1) for topic in topics])
        client.loop_start()
        if not ready.wait(WAIT_S):
            raise TimeoutError("the broker does not answer the workshop")
        return client

    def _on_command(self, client: paho.Client, userdata: object, message: paho.MQTTMessage) -> None:
        with self._news:
            if message.topic == self._heater.relay.command_topic:
                self._board.receive(bytes(message.payload), self._mono_s)
                self._heard += 1
            for wired in self.outputs.values():
                if message.topic == wired.output.relay.command_topic:
                    wired.receive(bytes(message.payload), self._mono_s)
            self._news.notify_all()


def _with(document: object, sensor: Sensor, value: float, at_s: float) -> object:
    """A topic's document with one sensor's value put where its pointers say."""
    shown = _in_unit(sensor, value)
    if sensor.value_pointer is None:
        return shown
    found = document if isinstance(document, dict) else {}
    _put(found, sensor.value_pointer, shown)
    if sensor.time_pointer is not None:
        _put(found, sensor.time_pointer, at_s)
    return found


def _put(document: dict[str, Any], pointer: str, value: float) -> None:
    *path, last = pointer.split("/")[1:]
    for key in path:
        document = document.setdefault(key, {})
    document[last] = value


def _in_unit(sensor: Sensor, value: float) -> float:
    """A value as the sensor would report it: every unit is a straight line of the house's."""
    zero, one = (to_house(x, sensor.unit, pulses_per_kwh=sensor.pulses_per_kwh) for x in (0.0, 1.0))
    return (value - zero) / (one - zero)


def _send_at_once(client: paho.Client, userdata: object, connection: object) -> None:
    """Many small messages go out each on its own, not when a packet is full."""
    if isinstance(connection, socket.socket):
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

"""MQTT messages into bounded room. Decodes nothing and decides nothing.

The network thread only puts messages aside; the tick takes them with ``drain``.
"""

from __future__ import annotations

import logging
import sys
import threading
from collections.abc import Iterable

from paho.mqtt import client as paho
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from controller.clock import Clock
from controller.mqtt_client import (
    KEEP_ALIVE_S,
    connect_properties,
    new_client,
    why_not_connected,
)
from controller.records.site import Broker
from controller.sensors.decode import Message
from controller.sensors.decode_forecast import FORECAST_LIMIT_BYTES
from controller.sensors.holding import Holding

_LOG = logging.getLogger(__name__)


class SensorIntake:
    """Listens to the topics of all sensors and of the forecast; keeps what arrives for the tick.

    Parameters
    ----------
    broker : Broker
    topics : iterable of str
        On which something is measured or forecast; a topic may be named twice.
    client_id : str
        Unlike that of any other client of this broker.
    clock : Clock
        Says when a message arrived.
    """

    def __init__(
        self, broker: Broker, topics: Iterable[str], *, client_id: str, clock: Clock
    ) -> None:
        self._broker = broker
        self._topics = frozenset(topics)
        self._clock = clock
        self._holding = Holding(self._topics)
        self._lock = threading.Lock()
        self._connected = self._stopping = False
        self._trouble = ""
        """What has been said of the connection since it was last good."""
        self._received = 0
        self._client = self._new_client(client_id)

    @property
    def connected(self) -> bool:
        """Whether the connection stands and the broker has confirmed that we listen."""
        return self._connected

    @property
    def received(self) -> int:
        """Messages seen on our topics since the start, dropped ones included."""
        return self._received

    @property
    def dropped(self) -> int:
        """Messages given up since the start because more came than there is room for."""
        return self._holding.lost

    def start(self) -> None:
        """Connect in the background; retried for ever until ``stop``."""
        self._client.connect_async(
            self._broker.host,
            self._broker.port,
            keepalive=KEEP_ALIVE_S,
            properties=connect_properties(self._broker),
        )
        self._client.loop_start()

    def stop(self) -> None:
        """Disconnect and end the network thread. What was received can still be drained."""
        self._stopping = True
        self._client.disconnect()
        self._client.loop_stop()

    def drain(self) -> list[Message]:
        """Take all messages that have arrived since the last call, oldest first."""
        with self._lock:
            return self._holding.take()

    def take_lost(self) -> dict[str, int]:
        """How many messages each topic has lost since the last call."""
        with self._lock:
            return self._holding.take_lost()

    def _new_client(self, client_id: str) -> paho.Client:
        client = new_client(self._broker, client_id=client_id, reconnects=True)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        return client

    def _on_connect(
        self,
        client: paho.Client,
        userdata: object,
        flags: paho.ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._complain(f"the broker refuses the sensors' client: {reason}")
            return
        if self._topics:
            client.subscribe([(topic, 0) for topic in sorted(self._topics)])
        else:
            self._connected = True

    def _on_connect_fail(self, client: paho.Client, userdata: object) -> None:
        # called where the library has caught the error: it does not hand it over
        error = sys.exception()
        why = why_not_connected(error) if isinstance(error, Exception) else "no reason given"
        self._complain(f"the sensors' client cannot reach the broker {self._broker.host}: {why}")

    def _complain(self, what: str) -> None:
        """Say once what is wrong with the connection, not at every attempt."""
        if what != self._trouble and not self._stopping:
            self._trouble = what
            _LOG.warning("%s", what)

    def _on_subscribe(
        self,
        client: paho.Client,
        userdata: object,
        message_id: int,
        reasons: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        topics = sorted(self._topics)
        refused = [t for t, r in zip(topics, reasons, strict=False) if r.is_failure]
        if refused:
            self._complain(f"the broker does not let us listen to {', '.join(refused)}")
        elif self._trouble:
            _LOG.warning("the sensors' client is connected again")
            self._trouble = ""
        self._connected = len(refused) < len(topics)

    def _on_disconnect(
        self,
        client: paho.Client,
        userdata: object,
        flags: paho.DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if self._connected:
            self._complain(f"the sensors' connection to the broker is lost: {reason}")
        self._connected = False

    def _on_message(self, client: paho.Client, userdata: object, message: paho.MQTTMessage) -> None:
        # some brokers hand retained messages to clients that never asked for them
        if message.topic not in self._topics:
            return
        # one byte over the largest limit is enough to see that a payload is too large
        payload = bytes(message.payload[: FORECAST_LIMIT_BYTES + 1])
        with self._lock:
            self._received += 1
            self._holding.put(
                Message(
                    topic=message.topic,
                    payload=payload,
                    retained=message.retain,
                    at=self._clock.now(),
                    sequence=self._received,
                )
            )

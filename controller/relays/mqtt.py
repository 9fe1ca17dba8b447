"""Leased commands over MQTT to one relay: a heater's, a pump's or a valve's.

The only module that publishes to a command topic. Safe by its shape: nothing is ever queued for
later. Every connection is made by a fresh MQTT client, because the library sends what was left
over from one connection in the next; and an ON is refused while no connection stands.
"""

from __future__ import annotations

import logging
import socket
import threading
from dataclasses import replace
from typing import cast

from paho.mqtt import client as paho
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from controller.clock import Clock
from controller.credentials import CredentialError
from controller.mqtt_client import (
    FIRST_RETRY_S,
    KEEP_ALIVE_S,
    LARGEST_REPORT_BYTES,
    LAST_RETRY_S,
    connect_properties,
    new_client,
    why_not_connected,
)
from controller.records.decision import Command
from controller.records.site import Broker, Heater, Output
from controller.relays.messages import Report, command_payload, encoded, parse_report

CONFIRM_S = 5.0
"""How long a clean stop waits for the broker to confirm the OFF [s]."""

SHORT_LIVED_S = 10.0
"""A connection lost sooner than this after it was accepted counts as taken from us [s]."""
SHORT_LIVED_IN_A_ROW = 3
"""MQTT 3.1.1 does not say that another client has come under our name: this many show it."""

_TAKEN_OVER = 0x8E
"""Reason code *Session taken over*, MQTT 5.0 section 3.14.2.1."""
_OUR_COMPLAINTS = (0x81, 0x82)
"""Reason codes *Malformed packet* and *Protocol error*: what came in made the library give up."""
_LOG = logging.getLogger(__name__)


class MqttRelay:
    """The door to one relay.

    Where the relay falls off (a heater's), every end of a connection says OFF and so does the
    first word of the next: will, clean stop, reconnect. A pump's or a valve's is left to its lease.

    Parameters
    ----------
    broker : Broker
    switched : Heater, CirculationPump or ZoneValve
        Its relay says the topics.
    client_id : str
        The same for every process that may command this relay, so that the broker lets only one
        of them in.
    clock : Clock
        Says when a report arrived and how long a connection lasted.
    """

    def __init__(
        self, broker: Broker, switched: Heater | Output, *, client_id: str, clock: Clock
    ) -> None:
        self._broker = broker
        self._relay = switched.relay
        self._client_id = client_id
        self._clock = clock
        # held by whoever publishes or changes the connection: the tick and the network thread
        self._lock = threading.Lock()
        self._client: paho.Client | None = None
        self._ready = False
        self._off = self._will = encoded({self._relay.word: False})
        self._accepted = False
        self._accepted_mono_s = 0.0
        self._refusal = self._complaint = ""
        self._short_lived = 0
        self._report: Report | None = None
        self._published = 0
        self._interrupted = False
        self._taken_over = self._off_refused = False
        self._closing = threading.Event()
        self._ended = threading.Event()
        self._keeper = threading.Thread(target=self._keep, name=f"relay-{switched.id}", daemon=True)

    @property
    def connected(self) -> bool:
        """Whether a connection stands on which OFF has been said."""
        return self._ready

    @property
    def reachable(self) -> bool:
        """Whether an ON can be sent now: it must answer a report, where the relay makes any."""
        reports = self._relay.report_topic is not None
        return self._ready and not (reports and self._report is None)

    @property
    def taken_over(self) -> bool:
        """Whether another client has taken our name at the broker. We do not take it back."""
        return self._taken_over

    @property
    def report(self) -> Report | None:
        """The relay's latest report, None before the first or where it makes none."""
        return self._report

    @property
    def published(self) -> int:
        """Commands handed to the broker's connection, the OFF of every connect included."""
        return self._published

    def take_interruption(self) -> bool:
        """Whether OFF has been said since the last call because a connection began anew."""
        with self._lock:
            said, self._interrupted = self._interrupted, False
        return said

    def start(self) -> None:
        """Connect in the background; retried until ``stop``, ``abandon`` or a takeover."""
        self._keeper.start()

    def send(self, command: Command) -> bool:
        """Give a command to the relay now, or not at all.

        Parameters
        ----------
        command : Command

        Returns
        -------
        bool
            False where it was not sent: no connection, or an ON while a relay that makes reports
            has not made one yet. An OFF that could not be sent is the first thing said on the
            next connection.
        """
        with self._lock:
            # said first on the next connection: its sequence outdates an ON still on the way
            self._off = self._payload(replace(command, heat=False))
            if not command.heat:
                return self._publish_off() is not None
            answers_s = None if self._report is None else self._report.uptime_s
            if self._relay.report_topic is not None and answers_s is None:
                return False
            payload = self._payload(command, answers_s=answers_s)
            return self._publish(payload, qos=0, retain=False) is not None

    def stop(self, command: Command) -> bool:
        """Say OFF, wait for the broker's receipt, and disconnect cleanly.

        Parameters
        ----------
        command : Command
            The last OFF.

        Returns
        -------
        bool
            Whether the broker has confirmed the OFF. Where it has not, the connection is
            abandoned, so that the will speaks.

        Raises
        ------
        ValueError
            Where the command is an ON.
        """
        if command.heat:
            raise ValueError("a relay is stopped with an OFF, not with an ON")
        with self._lock:
            self._off = self._payload(command)
            self._off_refused = False
            info = self._publish_off()
            self._ready = False
        confirmed = info is not None and _confirmed(info) and not self._off_refused
        if confirmed and self._client is not None:
            self._closing.set()
            self._client.disconnect()
        else:
            self.abandon()
        self._join()
        return confirmed

    def leave(self) -> None:
        """Disconnect cleanly without a word: the relay goes on to the end of its lease.

        Raises
        ------
        ValueError
            Where the relay is one that must be told OFF.
        """
        if self._relay.falls_off:
            raise ValueError("a relay that falls off is stopped with an OFF")
        with self._lock:
            self._ready = False
        self._closing.set()
        if self._client is not None:
            self._client.disconnect()
        self._join()

    def abandon(self) -> None:
        """Break the connection without a DISCONNECT, so that the broker speaks our will.

        Takes no lock and waits for nothing: a watchdog calls it when the tick hangs.
        """
        self._closing.set()
        self._ready = False
        self._break_off()

    def _break_off(self) -> None:
        if self._client is not None:
            _break(self._client)

    def _join(self) -> None:
        if self._keeper.is_alive():
            self._keeper.join(CONFIRM_S)

    def _payload(self, command: Command, answers_s: float | None = None) -> bytes:
        return command_payload(command, answers_s=answers_s, word=self._relay.word)

    def _publish_off(self) -> paho.MQTTMessageInfo | None:
        """Say OFF; to be called with the lock held.

        It is kept for those who come later only where it must be: a pump that came back to an
        OFF of yesterday would stop in the middle of heat.
        """
        return self._publish(self._off, qos=1, retain=self._relay.falls_off)

    def _publish(self, payload: bytes, *, qos: int, retain: bool) -> paho.MQTTMessageInfo | None:
        """Publish if a connection stands; to be called with the lock held."""
        if not self._ready or self._client is None:
            return None
        info = self._client.publish(self._relay.command_topic, payload, qos=qos, retain=retain)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            return None
        self._published += 1
        return info

    def _keep(self) -> None:
        """Hold a connection until closing: the keeper's thread."""
        delay_s = float(FIRST_RETRY_S)
        while not self._closing.is_set():
            try:
                accepted = self._connect_once()
            except Exception:  # noqa: BLE001 - a keeper that ends here never comes back
                _LOG.exception("unexpected error while connecting to %s", self._broker.host)
                accepted = False
                self._break_off()
            if accepted:
                delay_s = FIRST_RETRY_S
            self._closing.wait(delay_s)
            delay_s = min(2.0 * delay_s, LAST_RETRY_S)

    def _connect_once(self) -> bool:
        """Make one connection and wait for its end; whether the broker had accepted it."""
        self._ended.clear()
        self._accepted, self._refusal = False, ""
        try:
            client = self._new_client()
            self._client = client
            client.connect(
                self._broker.host,
                self._broker.port,
                keepalive=KEEP_ALIVE_S,
                properties=connect_properties(self._broker, LARGEST_REPORT_BYTES),
            )
        except (OSError, ValueError, CredentialError) as error:
            self._short_lived = 0  # a broker that is away takes nothing over
            self._complain(why_not_connected(error))
            return False
        if self._closing.is_set():
            _break(client)
        client.loop_start()
        self._ended.wait()
        client.loop_stop()
        if not (self._accepted or self._closing.is_set()):
            self._complain(self._refusal or "it broke the connection off without a word")
        return self._accepted

    def _complain(self, why: str) -> None:
        """Tell once why the broker does not take us, not at every attempt."""
        if why != self._complaint:
            self._complaint = why
            _LOG.warning("the broker %s does not serve the relay: %s", self._broker.host, why)

    def _new_client(self) -> paho.Client:
        client = new_client(self._broker, client_id=self._client_id, reconnects=False)
        if self._relay.falls_off:
            client.will_set(self._relay.command_topic, self._will, qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
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
            self._refusal = f"it refuses the relay's client {self._client_id}: {reason}"
            return
        with self._lock:
            self._accepted = True
            self._complaint = ""
            self._accepted_mono_s = self._clock.now().mono_s
            self._ready = not self._closing.is_set()
            if self._relay.falls_off:
                self._publish_off()
                self._interrupted = True
        if self._relay.report_topic is not None:
            client.subscribe(self._relay.report_topic, qos=0)

    def _on_disconnect(
        self,
        client: paho.Client,
        userdata: object,
        flags: paho.DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        with self._lock:
            was_ready, self._ready = self._ready, False
            told = flags.is_disconnect_packet_from_server
            by_name = told and reason.value == _TAKEN_OVER
            if was_ready:
                lasted_s = self._clock.now().mono_s - self._accepted_mono_s
                explained = reason.value in _OUR_COMPLAINTS or (told and not by_name)
                is_short = lasted_s < SHORT_LIVED_S and not explained
                self._short_lived = self._short_lived + 1 if is_short else 0
            if was_ready and not self._closing.is_set():
                _LOG.warning("the connection to the relay's broker is lost: %s", reason)
            if by_name or self._short_lived >= SHORT_LIVED_IN_A_ROW:
                self._taken_over = True
                self._closing.set()
        self._ended.set()

    def _on_publish(
        self,
        client: paho.Client,
        userdata: object,
        message_id: int,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        """Only an OFF is confirmed; MQTT 5 has words for a refusal, MQTT 3.1.1 has none."""
        if reason.is_failure:
            self._off_refused = True
            self._complain(f"it takes no command on {self._relay.command_topic}: {reason}")

    def _on_subscribe(
        self,
        client: paho.Client,
        userdata: object,
        message_id: int,
        reasons: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            self._complain(f"it does not let us listen to {self._relay.report_topic}")

    def _on_message(self, client: paho.Client, userdata: object, message: paho.MQTTMessage) -> None:
        # a retained report may be of any age
        if message.retain or message.topic != self._relay.report_topic:
            return
        report = parse_report(bytes(message.payload), self._clock.now(), word=self._relay.word)
        if report is not None:
            self._report = report


def _confirmed(info: paho.MQTTMessageInfo) -> bool:
    try:
        info.wait_for_publish(CONFIRM_S)
    except (ValueError, RuntimeError):
        return False
    return info.is_published()


def _break(client: paho.Client) -> None:
    """End the TCP connection without a word; the network thread then notices by itself."""
    found = client.socket()
    if found is None:
        return
    try:
        # of the socket below TLS: the TLS socket's own would let what is sent meanwhile out plain
        socket.socket.shutdown(cast(socket.socket, found), socket.SHUT_RDWR)
    except OSError:
        return  # already gone

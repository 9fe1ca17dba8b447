"""How every MQTT client of ours is made; whoever has one alone decides what it says.

Nothing is left for later by the library: a session is always a clean one. The broker's secrets are
read here, when a client connects, and go no further. What others put beside a message's payload is
never looked at: see ``without_properties``.
"""

from __future__ import annotations

import logging
import ssl

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from controller.credentials import (
    CredentialError,
    load_authority,
    load_own_certificate,
    read_password,
    tls_context,
)
from controller.records.site import Broker

KEEP_ALIVE_S = 15
FIRST_RETRY_S = 1
LAST_RETRY_S = 30
"""Shortest and longest wait before the broker is tried again [s]."""

LARGEST_PACKET_BYTES = 16 * 1024 * 1024
"""What a broker may send us at once: the library holds a whole packet before anyone can look at
it, and MQTT allows 256 MiB. Payloads below this are counted when they are too large."""

LARGEST_REPORT_BYTES = 16 * 1024
"""The same for a relay's connection: what a board says is tiny."""

_LONGEST_LENGTH = 4
"""Bytes of a variable byte integer, MQTT 5.0 section 1.5.5."""

_PROTOCOLS = {"5": paho.MQTTv5, "3.1.1": paho.MQTTv311}
_LOG = logging.getLogger(__name__)
_LIBRARY_LOG = logging.getLogger(__name__ + ".library")
"""What the MQTT library says of every packet and retry; silent unless asked for."""
_LIBRARY_LOG.setLevel(logging.CRITICAL)


def new_client(broker: Broker, *, client_id: str, reconnects: bool) -> paho.Client:
    """Make a client that is not connected yet.

    Parameters
    ----------
    broker : Broker
        Says the protocol, and by what both sides are known.
    client_id : str
        Empty where any name will do.
    reconnects : bool
        Whether the library connects again by itself after a connection was lost.

    Returns
    -------
    paho.mqtt.client.Client

    Raises
    ------
    CredentialError
        Where a secret or certificate cannot be used.
    """
    protocol = _PROTOCOLS[broker.protocol]
    client = _Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=protocol,
        clean_session=None if protocol == paho.MQTTv5 else True,
        reconnect_on_failure=reconnects,
    )
    # an exception in a callback would end the network thread for good: log it instead
    client.suppress_exceptions = True
    client.enable_logger(_LIBRARY_LOG)
    client.reconnect_delay_set(FIRST_RETRY_S, LAST_RETRY_S)
    _let_in(client, broker, reconnects=reconnects)
    return client


class _Client(paho.Client):
    """The library's client, but that it reads of a message its topic and payload alone."""

    def _handle_publish(self) -> MQTTErrorCode:
        if self._protocol == paho.MQTTv5:
            packet = self._in_packet
            packet["packet"] = without_properties(packet["command"], packet["packet"])
        return super()._handle_publish()


def without_properties(command: int, packet: bytearray) -> bytearray:
    """Empty the properties of a PUBLISH (MQTT 5.0, section 3.3.2.3), by their length alone.

    We use none of them, and whoever may write a single topic chooses them. The library reads them
    one by one: a megabyte of them holds its thread for minutes, and text that the standard allows
    and the library does not ends the connection, again at each new one where it is retained.

    Parameters
    ----------
    command : int
        The packet's first byte.
    packet : bytearray
        What follows the remaining length. Where that ends too early it is given back as it is, for
        the library to refuse.
    """
    begin = 2 + int.from_bytes(packet[:2], "big") + (2 if command & 0x06 else 0)
    length = shift = 0
    for number in range(begin, begin + _LONGEST_LENGTH):
        if number >= len(packet):
            return packet
        length |= (packet[number] & 0x7F) << shift
        shift += 7
        if packet[number] < 0x80:
            end = number + 1 + length
            return packet[:begin] + b"\x00" + packet[end:] if end <= len(packet) else packet
    return packet


def connect_properties(
    broker: Broker, largest_bytes: int = LARGEST_PACKET_BYTES
) -> Properties | None:
    """What a connection asks of the broker: no packet above ``largest_bytes``.

    MQTT 3.1.1 has no words for it; there the broker's own limit must do.
    """
    if broker.protocol != "5":
        return None
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = largest_bytes
    return properties


def why_not_connected(error: Exception) -> str:
    """Say in a few words why a broker could not be reached; no secret is among them."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not accepted: {error.verify_message}"
    if isinstance(error, ssl.SSLError):
        return f"TLS: {(error.reason or 'failed').replace('_', ' ').lower()}"
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error) or type(error).__name__


def _let_in(client: paho.Client, broker: Broker, *, reconnects: bool) -> None:
    """Give a client what the broker knows it by, at each connection as it then is."""
    context = None
    if broker.tls is not None:
        context = tls_context(broker.tls)
        client.tls_set_context(context)

    def name_user() -> None:
        if broker.user is not None:
            password = None if broker.password is None else read_password(broker.password)
            client.username_pw_set(broker.user, password)

    def refresh(_client: paho.Client, _userdata: object) -> None:
        """Take up a password or certificate that was renewed while the service runs."""
        try:
            name_user()
            if context is not None and broker.tls is not None:
                load_authority(context, broker.tls)
                load_own_certificate(context, broker.tls)
        except CredentialError as error:
            _LOG.warning("%s (the one read before is tried again)", error)

    name_user()
    if reconnects:
        client.on_pre_connect = refresh

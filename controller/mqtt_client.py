"""How every MQTT client of ours is made; whoever has one alone decides what it says.

Nothing is left for later by the library: a session is always a clean one.
"""

from __future__ import annotations

import logging

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from controller.records.site import Broker

KEEP_ALIVE_S = 15
FIRST_RETRY_S = 1
LAST_RETRY_S = 30
"""Shortest and longest wait before the broker is tried again [s]."""

_PROTOCOLS = {"5": paho.MQTTv5, "3.1.1": paho.MQTTv311}
_LIBRARY_LOG = logging.getLogger(__name__ + ".library")
"""What the MQTT library says of every packet and retry; silent unless asked for."""
_LIBRARY_LOG.setLevel(logging.CRITICAL)


def new_client(broker: Broker, *, client_id: str, reconnects: bool) -> paho.Client:
    """Make a client that is not connected yet.

    Parameters
    ----------
    broker : Broker
        Says the protocol.
    client_id : str
        Empty where any name will do.
    reconnects : bool
        Whether the library connects again by itself after a connection was lost.

    Returns
    -------
    paho.mqtt.client.Client
    """
    protocol = _PROTOCOLS[broker.protocol]
    client = paho.Client(
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
    return client

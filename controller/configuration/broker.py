"""Reads how the broker is reached, and sees to it that its secrets are where none can read them."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from controller.configuration.fields import Fields
from controller.configuration.kinds import CREDENTIAL, FILE, HOST, text, whole, word
from controller.credentials import CredentialError, CredentialUnseen, read_password, tls_context
from controller.records.site import Broker, SecretPlace, Tls

PLAIN_PORT, TLS_PORT = 1883, 8883
"""Registered with IANA as mqtt and secure-mqtt."""

_IN_THE_CLEAR = ("password", "passwd", "pass", "secret", "key")
"""Keys under which somebody may try to write a secret itself."""


class Use(Enum):
    """What a command is about to do with the broker.

    ``CHECKED`` looks at secrets as far as this process may see them: systemd shows its credentials
    to the service alone.
    """

    NONE = "none"
    CHECKED = "checked"
    NOW = "now"


@dataclass(frozen=True, slots=True)
class ReadBroker:
    """The broker, and where the file describes it and its TLS."""

    broker: Broker
    fields: Fields
    tls: Fields | None


def read_broker(fields: Fields, *, folder: Path) -> ReadBroker:
    """Read the broker's section; files that it names are relative to ``folder``."""
    with fields:
        host = fields.read("host", HOST)
        below = fields.table_or_none("tls")
        tls = _tls(below, folder) if below is not None else None
        usual_port = PLAIN_PORT if below is None else TLS_PORT
        port = fields.read_or("port", whole(1, 65535), usual_port)
        protocol = fields.read_or("protocol", word(("5", "3.1.1")), "5")
        user = fields.read_or("user", text(), None)
        password = _secret(fields, "password", folder)
        _refuse_the_clear(fields, "password")
    if password is not None and user is None:
        given = "password_file" if password.credential is None else "password_credential"
        fields.blame(given, "a password without a user", "give the user's name as broker.user")
    broker = Broker(host, port, protocol, tls, user, password)
    return ReadBroker(broker, fields, below)


def check_access(read: ReadBroker, use: Use) -> None:
    """Note every secret or certificate that cannot be used, where the broker is to be used."""
    if use is Use.NONE or not read.fields.sound:
        return
    broker = read.broker
    try:
        if broker.tls is not None and read.tls is not None and read.tls.sound:
            tls_context(broker.tls)
    except CredentialError as error:
        _blame(read.tls or read.fields, error, use)
    try:
        if broker.password is not None:
            read_password(broker.password)
    except CredentialError as error:
        _blame(read.fields, error, use)


def exposure(broker: Broker) -> str | None:
    """What the use of this broker leaves open to others, None where nothing is known to be."""
    if _is_here(broker.host):
        return None
    missing = [
        words
        for words, absent in (
            ("TLS", broker.tls is None),
            ("a password or certificate of ours", not _is_known(broker)),
        )
        if absent
    ]
    if not missing:
        return None
    return (
        f"The broker {broker.host} is on another machine and is used without "
        f"{' and without '.join(missing)}: whoever is on the network between may be able to "
        "switch the heater. See *Who may speak to it* in the README."
    )


def _is_known(broker: Broker) -> bool:
    own_certificate = broker.tls is not None and broker.tls.certificate_file is not None
    return own_certificate or broker.password is not None


def _is_here(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False  # a name may lead anywhere


def _blame(fields: Fields, error: CredentialError, use: Use) -> None:
    if not (isinstance(error, CredentialUnseen) and use is Use.CHECKED):
        fields.blame(error.key, f"{error.key}: {error.wrong}", error.right)


def _tls(fields: Fields, folder: Path) -> Tls:
    with fields:
        ca_file = _absolute(fields.read("ca_file", FILE), folder)
        certificate = fields.read_or("certificate_file", FILE, None)
        key = _secret(fields, "key", folder)
        _refuse_the_clear(fields, "key")
    if (certificate is None) != (key is None):
        fields.blame(
            "certificate_file" if key is None else None,
            "certificate_file and its key belong together",
            "give certificate_file and one of key_file and key_credential, or none of them",
        )
    own = None if certificate is None else _absolute(certificate, folder)
    return Tls(ca_file, own, key)


def _secret(fields: Fields, what: str, folder: Path) -> SecretPlace | None:
    """Where a secret is, of the two ways to say so."""
    file = fields.read_or(f"{what}_file", FILE, None)
    credential = fields.read_or(f"{what}_credential", CREDENTIAL, None)
    if file is not None and credential is not None:
        wrong = f"both {what}_file and {what}_credential are given"
        fields.blame(f"{what}_credential", wrong, "keep one of them")
    if credential is not None:
        return SecretPlace(credential=credential)
    return None if file is None else SecretPlace(file=_absolute(file, folder))


def _refuse_the_clear(fields: Fields, what: str) -> None:
    """Refuse a secret that stands in the file itself; what it says is not repeated."""
    right = (
        f"take it out, change it, for this file is read and kept by others, and name the file "
        f"that holds it as {what}_file, or a systemd credential as {what}_credential"
    )
    fields.forbid(_IN_THE_CLEAR, f"a {what} may not stand in this file", right)


def _absolute(file: str, folder: Path) -> str:
    return str((folder / file).absolute()) if file else ""

"""What opens the broker's door: secrets and certificates, read from where the site file says.

Records hold places alone. A secret is read when a connection is made, and given to nobody but the
MQTT client: no record, log, message or errand can hold what was never put into one.
"""

from __future__ import annotations

import os
import pwd
import shlex
import ssl
import stat
from pathlib import Path
from typing import NoReturn

from controller.records.site import SecretPlace, Tls

CREDENTIALS_VARIABLE = "CREDENTIALS_DIRECTORY"
"""Where systemd says in which folder a service's credentials are."""
LONGEST_BYTES = 64 * 1024
"""A secret longer than this is none; MQTT allows 65 535 bytes (MQTT 5.0 section 3.1.3.6)."""


class CredentialError(Exception):
    """A secret or certificate cannot be used.

    Parameters
    ----------
    key : str
        The key of the site file that names it.
    wrong, right : str
        What is wrong with it and what would be right; never what it holds.
    """

    def __init__(self, key: str, wrong: str, right: str) -> None:
        super().__init__(f"broker: {key}: {wrong}; {right}")
        self.key, self.wrong, self.right = key, wrong, right


class CredentialUnseen(CredentialError):
    """A systemd credential, looked for by a process that was given none at all."""


def read_password(place: SecretPlace) -> str:
    """Read the password of the broker.

    Raises
    ------
    CredentialError
        Where there is none, or others can read it.
    """
    key, path = _find(place, "password")
    data = _read_secret(key, path, shared_group=place.credential is not None)
    refill = f"write it anew: {_filling(path)}"
    try:
        text = data.decode("utf-8").removesuffix("\n").removesuffix("\r")
    except UnicodeDecodeError:
        # from None: the error's own text holds the bytes
        raise CredentialError(key, f"{path} is not UTF-8 text", refill) from None
    if not text:
        raise CredentialError(key, f"{path} is empty", refill)
    if "\n" in text or "\0" in text:
        wrong = f"{path} holds more than one line"
        raise CredentialError(key, wrong, f"it holds the password and nothing else; {refill}")
    return text


def tls_context(tls: Tls) -> ssl.SSLContext:
    """Make what a TLS connection to the broker is checked by.

    Its certificate must come from the named authority, be valid now and hold the name or address
    by which the broker is reached; nothing below TLS 1.2 is spoken. No setting changes that.

    Raises
    ------
    CredentialError
        Where a certificate or key cannot be used.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # checks certificate and name
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.hostname_checks_common_name = False
    load_authority(context, tls)
    load_own_certificate(context, tls)
    return context


def load_authority(context: ssl.SSLContext, tls: Tls) -> None:
    """Take up the certificate of the broker's authority; one taken up before stays good.

    Raises
    ------
    CredentialError
        Where it cannot be used.
    """
    try:
        context.load_verify_locations(cafile=tls.ca_file)
    except ssl.SSLError:
        right = "give the authority's certificate in PEM form (-----BEGIN CERTIFICATE-----)"
        raise CredentialError("ca_file", f"{tls.ca_file} holds no certificate", right) from None
    except OSError as error:
        _refuse_file("ca_file", Path(tls.ca_file), error)


def load_own_certificate(context: ssl.SSLContext, tls: Tls) -> None:
    """Take up the client's certificate and key, or take them up anew.

    Raises
    ------
    CredentialError
        Where they cannot be used.
    """
    if tls.certificate_file is None or tls.key is None:
        return
    key, path = _find(tls.key, "key")
    if not _read_secret(key, path, shared_group=tls.key.credential is not None).strip():
        raise CredentialError(key, f"{path} is empty", "give the key in PEM form")
    certificate = Path(tls.certificate_file)
    try:
        certificate.open("rb").close()
    except OSError as error:
        _refuse_file("certificate_file", certificate, error)
    try:
        context.load_cert_chain(certificate, path, password=lambda: _no_pass_phrase(key, path))
    except OSError:  # ssl.SSLError is one: whatever the library finds wrong with the two
        wrong = f"{certificate} and its key {path} do not belong together, or are not PEM"
        raise CredentialError("certificate_file", wrong, "give the pair as it was made") from None


def _find(place: SecretPlace, what: str) -> tuple[str, Path]:
    """The key that names a secret, and the secret's file."""
    if place.credential is None:
        return f"{what}_file", Path(place.file or "")
    key, name = f"{what}_credential", place.credential
    folder = os.environ.get(CREDENTIALS_VARIABLE)
    right = f"the unit has LoadCredential={name}:FILE, as deploy/slabtide.service shows"
    if not folder:
        raise CredentialUnseen(key, "this process has no systemd credentials", right)
    path = Path(folder) / name
    if not path.exists():
        raise CredentialError(key, f"there is no systemd credential {name}", right)
    return key, path


def _read_secret(key: str, path: Path, *, shared_group: bool) -> bytes:
    """Read a file that nobody else may read.

    systemd lets a service in by an access list, whose mask stands where the group's rights do:
    ``shared_group`` is for its credentials, which it keeps from others by the folder.
    """
    try:
        # not blocking: a named pipe would wait for a writer for ever
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        _refuse_file(key, path, error)
    try:
        _check_private(key, path, os.fstat(descriptor).st_mode, shared_group=shared_group)
        data = os.read(descriptor, LONGEST_BYTES + 1)
    finally:
        os.close(descriptor)
    if len(data) > LONGEST_BYTES:
        raise CredentialError(key, f"{path} is too long for a secret", "name the right file")
    return data


def _check_private(key: str, path: Path, mode: int, *, shared_group: bool) -> None:
    if not stat.S_ISREG(mode):
        what = "a folder" if stat.S_ISDIR(mode) else "no regular file"
        raise CredentialError(key, f"{path} is {what}", "name the file itself")
    if mode & (stat.S_IRWXO if shared_group else stat.S_IRWXO | stat.S_IRWXG):
        wrong = f"others may read or change {path} (its mode is {mode & 0o777:04o})"
        raise CredentialError(key, wrong, f"mend it: chmod 600 {shlex.quote(str(path))}")


def _refuse_file(key: str, path: Path, error: OSError) -> NoReturn:
    """Say why a file cannot be opened.

    Where there is none, its name is not told: whoever wrote the password itself where the file's
    name belongs must not find it in the log.
    """
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        right = "give the name of a file, from / or relative to the site file"
        if key == "password_file":
            right += f"; make it: {_filling(None)}"
        raise CredentialError(key, "there is no such file", right) from None
    wrong = f"{path} cannot be read ({error.strerror})"
    right = "give a readable file"
    if isinstance(error, PermissionError):
        right = f"mend it: sudo chown {_our_name()} {shlex.quote(str(path))}"
    raise CredentialError(key, wrong, right) from None


def _our_name() -> str:
    """The user that this process runs as; its number where it has no name."""
    try:
        return shlex.quote(pwd.getpwuid(os.geteuid()).pw_name)
    except KeyError:
        return str(os.geteuid())


def _filling(path: Path | None) -> str:
    """A command that asks for a password and writes it where only its user can read it."""
    target = "FILE" if path is None else shlex.quote(str(path))
    return f'(umask 077; read -rs P; printf %s "$P" >{target})'


def _no_pass_phrase(key: str, path: Path) -> NoReturn:
    """Nobody is there to type one when the service starts."""
    plain = shlex.quote(str(path))
    right = f"mend it: (umask 077; openssl pkey -in {plain} -out {plain}.plain), and name that"
    raise CredentialError(key, f"{path} is locked with a pass phrase", right)

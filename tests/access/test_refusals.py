"""Who is not let in, and whom we do not believe: the heater's own client against real Mosquitto."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import trustme

from controller.clock import SystemClock
from controller.records.decision import Command
from controller.records.limits import LEASE_S
from controller.records.site import Broker, Heater, Relay, Tls
from controller.rehearsal.relay_board import LeaseBoard
from controller.relays.mqtt import MqttRelay
from tests.access.conftest import Guarded, mosquitto

ORDER, SAYS = "tern-quay/boiler/command", "tern-quay/boiler/report"
ON = Command("boiler", heat=True, sequence=1, issued_s=1_700_000_000.0, lease_s=LEASE_S)
HEATER = Heater("boiler", 9000.0, 48.0, ("bay-loop",), Relay(ORDER, True, report_topic=SAYS))


@contextmanager
def relay_at(broker: Broker) -> Iterator[MqttRelay]:
    relay = MqttRelay(broker, HEATER, client_id="slabtide-boiler", clock=SystemClock())
    relay.start()
    try:
        yield relay
    finally:
        relay.abandon()


def test_an_on_reaches_the_board_over_tls_with_passwords(guarded, device, eventually):
    """The good one works, there and back; and the will speaks when the connection breaks."""
    board = LeaseBoard(started_mono_s=0.0)
    wired = device("relay-board", frozenset({ORDER}))
    eventually(lambda: wired.say(SAYS, board.report(10.0)))
    with relay_at(guarded.as_user("guard")) as relay:
        eventually(lambda: relay.connected)
        eventually(lambda: wired.say(SAYS, board.report(10.0)) and relay.report is not None)
        assert relay.send(ON)
        eventually(lambda: any(b"true" in payload for _, payload in wired.heard))
        [payload] = [payload for _, payload in wired.heard if b"true" in payload]
        assert board.receive(payload, 11.0).accepted
        assert board.heat(12.0)
        said = len(wired.heard)
    eventually(lambda: wired.heard[said:])
    assert wired.heard[said:] == [(ORDER, b'{"heat":false}')]


def stranger_certificate(folder: Path) -> None:
    """Another authority than the one that the broker's certificate comes from."""
    trustme.CA().cert_pem.write_to_path(folder / "ca.crt")


REFUSALS: dict[str, tuple[Callable[[Guarded, Path], Broker], str]] = {
    "anonymous": (lambda g, _: g.anonymous(), "Not authorized"),
    "wrong password": (lambda g, _: g.as_user("guard", "forecast"), "Not authorized"),
    "unknown user": (lambda g, _: g.as_user("harbour-master", "guard"), "Not authorized"),
    "wrong authority": (
        lambda g, p: replace(g.as_user("guard"), tls=Tls(str(p / "ca.crt"))),
        "its certificate is not accepted: ",
    ),
    "wrong name": (
        lambda g, _: replace(g.as_user("guard"), host="127.0.0.1"),
        "its certificate is not accepted: IP address mismatch",
    ),
    "no TLS": (lambda g, _: replace(g.as_user("guard"), tls=None), "broke the connection off"),
}


@pytest.mark.parametrize("case", REFUSALS)
def test_no_connection_comes_about(case, guarded, device, tmp_path, eventually, caplog):
    """Nothing is sent, nothing arrives, the reason is told once, and no secret is in it."""
    make, reason = REFUSALS[case]
    stranger_certificate(tmp_path)
    wired = device("relay-board", frozenset({ORDER}))
    with relay_at(make(guarded, tmp_path)) as relay:
        eventually(lambda: caplog.messages)
        assert not relay.connected
        assert not relay.send(ON)
    assert reason in caplog.messages[0]
    for file in guarded.folder.glob("*.password"):
        assert file.read_text().strip() not in caplog.text
    # at most the OFF that an earlier connection left with the broker
    assert wired.heard in ([], [(ORDER, b'{"heat":false}')])


def test_an_expired_certificate_is_not_accepted(handed_out, tmp_path, eventually, caplog):
    """A broker whose certificate ended an hour ago, signed by the right authority."""
    authority = trustme.CA()
    for name in ("passwords", "guard.password"):
        shutil.copy(handed_out / name, tmp_path)
    authority.cert_pem.write_to_path(tmp_path / "ca.crt")
    ended = datetime.now(UTC) - timedelta(hours=1)
    issued = authority.issue_cert(
        "localhost", not_before=ended - timedelta(days=9), not_after=ended
    )
    issued.private_key_pem.write_to_path(tmp_path / "broker.key")
    issued.cert_chain_pems[0].write_to_path(tmp_path / "broker.crt")
    with mosquitto(tmp_path, tmp_path) as old, relay_at(old.as_user("guard")) as relay:
        eventually(lambda: caplog.messages)
        assert not relay.connected
        assert not relay.send(ON)
    assert "its certificate is not accepted: certificate has expired" in caplog.messages[0]


def test_a_renewed_password_is_taken_up_at_the_next_attempt(guarded, tmp_path, eventually, caplog):
    """The file's new content opens the door, without a restart."""
    shutil.copy(guarded.folder / "forecast.password", tmp_path / "guard.password")
    broker = guarded.as_user("guard")
    place = replace(broker.password, file=str(tmp_path / "guard.password"))
    with relay_at(replace(broker, password=place)) as relay:
        eventually(lambda: caplog.messages)
        assert not relay.connected
        shutil.copy(guarded.folder / "guard.password", tmp_path / "guard.password")
        eventually(lambda: relay.connected)

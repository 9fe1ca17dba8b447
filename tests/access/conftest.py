"""Mosquitto as deploy/mosquitto sets it up, on loopback, with keys made as its README says."""

from __future__ import annotations

import getpass
import os
import re
import shutil
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from paho.mqtt import client as paho

from controller import brokers
from controller.mqtt_client import new_client
from controller.records.site import Broker, SecretPlace, Tls

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy" / "mosquitto"
PLACE = "/etc/mosquitto/slabtide"
"""Where the configuration expects what it names."""
WAIT_S = 30.0

Eventually = Callable[..., None]


@pytest.fixture(scope="session")
def eventually() -> Eventually:
    def wait_for(condition: Callable[[], object], within_s: float = WAIT_S) -> None:
        """Poll until a condition holds; fail at the deadline."""
        pause = threading.Event()
        for _ in range(int(within_s / 0.01)):
            if condition():
                return
            pause.wait(0.01)
        pytest.fail(f"did not become true within {within_s} s")

    return wait_for


@dataclass(frozen=True)
class Guarded:
    """A broker that lets in whom it knows, and the folder with what was made for its devices."""

    folder: Path
    port: int

    def as_user(self, user: str, password: str | None = None) -> Broker:
        """How a device reaches it, with its own password or with that of another file."""
        return Broker(
            "localhost",
            self.port,
            "5",
            Tls(str(self.folder / "ca.crt")),
            user,
            SecretPlace(file=str(self.folder / f"{password or user}.password")),
        )

    def anonymous(self) -> Broker:
        return replace(self.as_user("guard"), user=None, password=None)


@pytest.fixture(scope="session")
def handed_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the commands of the README have been run, for the host localhost."""
    tools = {
        "mosquitto": brokers.mosquitto_path(),
        "mosquitto_passwd": shutil.which("mosquitto_passwd"),
        "openssl": shutil.which("openssl"),
    }
    absent = [name for name, path in tools.items() if path is None]
    if absent and os.environ.get("SLABTIDE_REQUIRE_BROKER") != "1":
        pytest.skip(f"not installed: {', '.join(absent)}")
    folder = tmp_path_factory.mktemp("handed-out")
    text = (DEPLOY / "README.md").read_text(encoding="utf-8")
    script = "\n".join(re.findall(r"^```sh\n(.*?)^```", text, re.MULTILINE | re.DOTALL))
    assert script.count("host=quay.example") == 1
    script = script.replace("host=quay.example", "host=localhost")
    run = subprocess.run(
        ["/bin/sh", "-euc", script], cwd=folder, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    return folder


@contextmanager
def mosquitto(handed_out: Path, folder: Path) -> Iterator[Guarded]:
    """Run the broker of deploy/mosquitto, its files where they were handed out."""
    shutil.copy(DEPLOY / "access-list", handed_out)
    (handed_out / "access-list").chmod(0o600)
    port = brokers._free_port()
    text = (DEPLOY / "slabtide.conf").read_text(encoding="utf-8")
    for old, new in ((PLACE, str(handed_out)), ("listener 8883", f"listener {port} 127.0.0.1")):
        assert old in text
        text = text.replace(old, new)
    # started by root it would become another user, who may not read this folder
    (folder / "slabtide.conf").write_text(f"user {getpass.getuser()}\n{text}")
    with (folder / "broker.log").open("wb") as log:
        process = subprocess.Popen(
            [str(brokers.mosquitto_path()), "-c", str(folder / "slabtide.conf")],
            stdin=subprocess.PIPE,
            stdout=log,
            stderr=subprocess.STDOUT,
        )
    try:
        assert brokers._is_ready(process, port), (folder / "broker.log").read_text()
        yield Guarded(handed_out, port)
    finally:
        brokers._end(process)


@pytest.fixture(scope="session")
def guarded(handed_out: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guarded]:
    with mosquitto(handed_out, tmp_path_factory.mktemp("broker")) as running:
        yield running


class Device:
    """A device of the workshop with its own password: it says things, and keeps what it hears."""

    def __init__(self, broker: Broker, topics: frozenset[str] = frozenset()) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self.connected = self.listening = False
        self._topics = sorted(topics)
        self._news = threading.Condition()
        self._refused: dict[int, bool] = {}
        self.client = new_client(broker, client_id="", reconnects=False)
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = self._on_subscribe
        self.client.on_publish = self._on_publish
        self.client.on_message = self._on_message
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()

    def say(self, topic: str, payload: bytes) -> bool:
        """Publish; whether the broker took it, by its own word."""
        info = self.client.publish(topic, payload, qos=1)
        with self._news:
            assert self._news.wait_for(lambda: info.mid in self._refused, WAIT_S)
            return not self._refused.pop(info.mid)

    def end(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _on_connect(self, client: paho.Client, userdata, flags, reason, properties) -> None:
        self.connected = not reason.is_failure
        if self.connected and self._topics:
            client.subscribe([(topic, 1) for topic in self._topics])

    def _on_subscribe(self, *args: object) -> None:
        self.listening = True

    def _on_publish(self, client: paho.Client, userdata, mid, reason, properties) -> None:
        with self._news:
            self._refused[mid] = reason.is_failure
            self._news.notify_all()

    def _on_message(self, client: paho.Client, userdata, message: paho.MQTTMessage) -> None:
        self.heard.append((message.topic, bytes(message.payload)))


@pytest.fixture
def device(guarded: Guarded, eventually: Eventually) -> Iterator[Callable[..., Device]]:
    """Make a device that is connected, and listens where it was given topics."""
    made: list[Device] = []

    def make(user: str, topics: frozenset[str] = frozenset()) -> Device:
        one = Device(guarded.as_user(user), topics)
        made.append(one)
        eventually(lambda: one.listening if topics else one.connected)
        return one

    yield make
    for one in made:
        one.end()

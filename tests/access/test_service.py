"""The whole service at a guarded broker: it heats over TLS, and its secret stays its own."""

from __future__ import annotations

import shutil
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from controller.configuration import load_all
from controller.records.instant import Instant
from controller.records.limits import TICK_S
from controller.records.site import Role
from controller.rehearsal.pacer import Pacer
from controller.rehearsal.relay_board import LeaseBoard
from controller.rehearsal.wired_workshop import _with
from tests.access.conftest import DEPLOY, ROOT, Device, Guarded

START_S = 1_800_000_000.0
COLD_C = 2.0
"""Slab, air and all else: frost protection asks for heat as soon as every rule has run."""
MOST_TICKS = 30


@pytest.fixture
def site_path(guarded: Guarded, tmp_path: Path) -> Path:
    """The example's site as deploy/mosquitto/README.md has it reach the broker."""
    for name in ("limits.yaml", "bookings.yaml"):
        shutil.copy(ROOT / "config" / name, tmp_path)
    text = (ROOT / "config" / "site.yaml").read_text(encoding="utf-8")
    section = (DEPLOY / "README.md").read_text(encoding="utf-8")
    section = section.split("```yaml\nbroker:\n")[1].split("```")[0]
    section = section.replace("quay.example", f"localhost\n  port: {guarded.port}")
    text = text.replace("broker:\n  host: localhost\n", f"broker:\n{section}")
    text = text.replace("store: ../state", "store: state")
    (tmp_path / "site.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "secrets").mkdir(mode=0o700)
    shutil.copy(guarded.folder / "guard.password", tmp_path / "secrets" / "broker-password")
    shutil.copy(guarded.folder / "ca.crt", tmp_path)
    return tmp_path / "site.yaml"


@contextmanager
def service(site_path: Path, socket: Path, log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """The service as a process of its own, under a umask that keeps nothing from anybody."""
    command = [sys.executable, "-m", "controller", "run", "--site", str(site_path)]
    with log.open("wb") as errors:
        process = subprocess.Popen(
            [*command, "--lockstep", str(socket)], stdout=errors, stderr=errors, umask=0
        )
    try:
        yield process
    finally:
        process.kill()
        process.wait()


class ColdWorkshop:
    """Devices, each with its own password, in a workshop where everything is near freezing."""

    def __init__(self, site_path: Path, device) -> None:
        self.site = load_all(site_path).site
        [heater] = self.site.heaters
        self.order, self.says = heater.relay.command_topic, heater.relay.report_topic
        self.board = LeaseBoard(started_mono_s=0.0)
        self.switch: Device = device("relay-board", frozenset({self.order}))
        nodes = [device(user) for user in ("bay-node", "boiler-node", "weather-node")]
        self.node_of = {"bay": nodes[0], "loop": nodes[1], "boiler": nodes[1]}
        self.weather = nodes[2]
        self.sent = 0

    def send(self, moment: Instant) -> int:
        for sensor in self.site.sensors:
            if sensor.role is not Role.RELAY_STATE:
                value = 0.0 if sensor.role in (Role.POWER, Role.IRRADIANCE) else COLD_C
                payload = str(_with(None, sensor, value, moment.utc_s)).replace("'", '"')
                node = self.node_of.get(sensor.topic.split("/")[1], self.weather)
                assert node.say(sensor.topic, payload.encode())
                self.sent += 1
        assert self.switch.say(self.says, self.board.report(moment.mono_s))
        self.sent += 1
        return self.sent


def test_frost_heat_reaches_the_board_and_nothing_lies_open(
    site_path, device, tmp_path, eventually, guarded
):
    """ON at the relay over TLS, OFF at the end; what is left is private, and holds no secret."""
    workshop, log = ColdWorkshop(site_path, device), tmp_path / "log"
    with Pacer(tmp_path / "pace") as pacer, service(site_path, tmp_path / "pace", log) as process:
        pacer.accept()
        taken = 0
        for tick in range(MOST_TICKS):
            moment = Instant(START_S + tick * TICK_S, 100.0 + tick * TICK_S)
            commands = pacer.step(moment, lambda moment=moment: workshop.send(moment))
            eventually(lambda count=commands["boiler"]: len(workshop.switch.heard) >= count)
            for _, payload in workshop.switch.heard[taken:]:
                workshop.board.receive(payload, moment.mono_s)
            taken = len(workshop.switch.heard)
            if workshop.board.heat(moment.mono_s):
                break
        assert workshop.board.heat(moment.mono_s), log.read_text()
        pacer.hang_up()
        assert process.wait(30.0) == 0
        eventually(lambda: b'"heat":false' in workshop.switch.heard[-1][1])
    assert left_open(site_path.parent / "state") == {}
    secret = (guarded.folder / "guard.password").read_bytes().strip()
    assert secret in (site_path.parent / "secrets" / "broker-password").read_bytes()
    assert holders(secret, [site_path.parent / "state", log]) == []


def left_open(folder: Path) -> dict[str, str]:
    """Everything below a folder, itself included, that others than its user have a right to."""
    return {
        str(path): f"{path.stat().st_mode:o}"
        for path in [folder, *folder.rglob("*")]
        if stat.S_IMODE(path.stat().st_mode) & 0o077
    }


def holders(secret: bytes, places: list[Path]) -> list[Path]:
    files = [f for place in places for f in [place, *place.rglob("*")] if f.is_file()]
    assert len(files) > 2
    return [file for file in files if secret in file.read_bytes()]

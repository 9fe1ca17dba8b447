"""One workshop for the fault scenarios: its files, sensors and relay, and the real service.

``Workshop`` is what stands there whatever runs. ``live`` runs the service on real time; ``pacing``
has it in lockstep.
"""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from controller.calendar import sessions
from controller.clock import Clock
from controller.codec import to_plain
from controller.configuration import load_all
from controller.records.decision import Decision
from controller.records.errands import LearnAnswer, PlanAnswer
from controller.records.plan import Block, BlockReason, Plan
from controller.rehearsal.relay_board import LeaseBoard, PlainBoard
from controller.rehearsal.sensing import SIXTEENTH_K
from controller.store import open_reader
from tests.faults.relay_on_wire import RelayOnWire
from tests.faults.timers import TIMERS, Timers

ROOT = Path(__file__).resolve().parents[2]
HEATER, ZONE = "boiler", "boat-bay"
COMMANDS, REPORTS = "tern-quay/boiler/command", "tern-quay/boiler/report"
MILD = {
    "bay-slab": 16.0,
    "bay-air": 14.0,
    "north-wall": 2.0,
    "roof-sun": 0.0,
    "loop-supply": 25.0,
    "loop-return": 22.0,
}
"""Sensor -> value that no rule minds [°C, W/m2]; the boiler's power follows the relay."""
STIRRED = ("bay-slab", "bay-air", "loop-supply", "loop-return")
NOTHING_BOOKED = "bookings: {}\n"
LEASES = "\n      leases: true\n"
"""In the example's site file, the one line that is not a comment."""
LIVE_PERIOD_S = 0.2
"""Time between two rounds of readings and reports in real time [s]."""

AS_THE_PLANNER = f"""\
import json, os, sys, time
sys.path.insert(0, {str(ROOT)!r})
from controller.planning.child import end_with
end_with(os.getppid())
"""
"""How each program in the planner's place begins: it ends with the service, as the planner does."""

PLANNER = """\
#!/bin/sh
# stands in for the planner's program: an answer from a file for each kind of errand
case "$(cat)" in
*'"errand": "learn"'*) exec cat '{folder}/learn.json' ;;
*) exec cat '{folder}/plan.json' ;;
esac
"""


def within(seconds: float, condition: Callable[[], object], pause_s: float = 0.01) -> None:
    """Poll until a condition holds; fail at the deadline (real time)."""
    pause = threading.Event()
    for _ in range(int(seconds / pause_s) + 1):
        if condition():
            return
        pause.wait(pause_s)
    pytest.fail(f"did not become true within {seconds} s")


class Workshop:
    """Configuration, sensors and relay of the example site, at a broker.

    Parameters
    ----------
    folder : Path
    port : int
        The broker's own.
    clock : Clock
        By which sensors and relay live.
    service_port : int, optional
        What the service takes for the broker.
    relay_port : int, optional
        What the relay takes for the broker.
    drop_out_s : float, optional
        The relay knows no leases; its hard-wired timer, or infinity where it has none.
    answers : bool
        See ``RelayOnWire``.
    """

    def __init__(
        self,
        folder: Path,
        port: int,
        clock: Clock,
        *,
        service_port: int | None = None,
        relay_port: int | None = None,
        protocol: str = "5",
        drop_out_s: float | None = None,
        answers: bool = True,
    ) -> None:
        self.folder, self.clock, self.port = folder, clock, port
        self.leases = drop_out_s is None
        self._write_site(service_port or port, protocol, drop_out_s)
        self.site = load_all(self.site_path).site
        self.values = dict(MILD)
        self.messages = 0
        board = (
            LeaseBoard(started_mono_s=clock.now().mono_s)
            if drop_out_s is None
            else PlainBoard(drop_out_s=drop_out_s)
        )
        self.relay = RelayOnWire(
            relay_port or port,
            board,
            clock,
            command_topic=COMMANDS,
            report_topic=REPORTS if self.leases else None,
            answers=answers,
        )
        self.mouth = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
        self.mouth.reconnect_delay_set(1, 1)
        self.mouth.connect_async("127.0.0.1", port)
        self.mouth.loop_start()
        within(10.0, lambda: self.relay.listening.is_set() and self.mouth.is_connected())
        self.plan()

    @property
    def site_path(self) -> Path:
        return self.folder / "site.yaml"

    @property
    def store(self) -> Path:
        return self.folder / "state"

    @property
    def planner(self) -> Path:
        """The planner's stand-in; a test may write another program there."""
        return self.folder / "planner"

    def book(self, text: str) -> None:
        """Write the bookings."""
        (self.folder / "bookings.yaml").write_text(text, encoding="utf-8")

    def plan(self, *, heat: bool = True) -> None:
        """Have the planner's stand-in answer with one block from now on."""
        self._answer("plan", PlanAnswer(self.timetable(heat=heat)))
        self._answer("learn", LearnAnswer(()))
        self.planner.write_text(PLANNER.format(folder=self.folder))
        self.planner.chmod(0o700)

    def timetable(
        self, *, heat: bool = True, heater: str = HEATER, made_ago_s: float = 0.0
    ) -> Plan:
        """A plan of one block for two days and for what is booked in them."""
        made_s = self.clock.now().utc_s - made_ago_s
        until_s = made_s + 2 * 86400.0
        block = Block(made_s, until_s, heat, BlockReason.PREHEAT if heat else BlockReason.IDLE)
        booked = sessions(
            load_all(self.site_path).bookings,
            time_zone=self.site.time_zone,
            since_s=made_s,
            until_s=until_s,
        )
        plan_id = f"{heater}-{made_s:.0f}"
        return Plan(plan_id, heater, made_s, until_s, (block,), (), tuple(booked))

    def plan_by(self, lines: str) -> None:
        """Let these lines of Python be the planner's program."""
        code = self.folder / "planner.py"
        code.write_text(f"{AS_THE_PLANNER}request = sys.stdin.read()\n{lines}\n")
        self.planner.write_text(f'#!/bin/sh\nexec "{sys.executable}" -S "{code}"\n')
        self.planner.chmod(0o700)

    def say(self) -> int:
        """Have every sensor say its value now; how many messages that made."""
        now, count = self.clock.now(), 0
        for sensor in self.site.sensors:
            value = self._value(sensor.id)
            if value is not None:
                document = {"value": value, "time": now.utc_s}
                self.mouth.publish(sensor.topic, json.dumps(document))
                count += 1
        return count

    def last(self) -> Decision:
        """The decision recorded last."""
        with contextlib.closing(open_reader(self.store)) as reader:
            found = reader.last_decision(HEATER)
        assert found is not None
        return found

    def decisions(self) -> list[Decision]:
        """All that are on record."""
        with contextlib.closing(open_reader(self.store)) as reader:
            return reader.decisions(0.0, 1e11)

    def command(self, name: str, *arguments: str) -> int:
        """Run a command of the product; its exit code."""
        command = [sys.executable, "-m", "controller", name, "--site", str(self.site_path)]
        return subprocess.run([*command, *arguments], cwd=ROOT, check=False).returncode

    def end(self) -> None:
        """Leave the broker."""
        self.relay.end()
        self.mouth.disconnect()
        self.mouth.loop_stop()

    def _value(self, sensor: str) -> float | None:
        if sensor == "boiler-power":
            return 9000.0 if self.relay.closed else 0.0
        value = self.values.get(sensor)
        if value is None or sensor not in STIRRED:
            return value
        # to and fro by a step of the sensor's: one that stands still under heat is stuck
        return value + SIXTEENTH_K * (self.clock.now().utc_s // 60.0 % 2.0)

    def _answer(self, kind: str, answer: object) -> None:
        text = json.dumps({"answer": kind, "body": to_plain(answer)})
        (self.folder / f"{kind}.json").write_text(text)

    def _write_site(self, port: int, protocol: str, drop_out_s: float | None) -> None:
        text = (ROOT / "config" / "site.yaml").read_text(encoding="utf-8")
        broker = f'  host: 127.0.0.1\n  port: {port}\n  protocol: "{protocol}"'
        text = re.sub(r"^  host: .*$", broker, text, count=1, flags=re.MULTILINE)
        text = re.sub(r"^store: .*$", "store: state", text, count=1, flags=re.MULTILINE)
        if drop_out_s is not None:
            declared = f"leases: false\n      drop_out_s: {min(drop_out_s, 900.0):g}"
            text = text.replace(LEASES, f"\n      {declared}\n", 1)
            text = re.sub(r"^      report_topic: .*$", "", text, flags=re.MULTILINE)
        self.site_path.write_text(text, encoding="utf-8")
        shutil.copy(ROOT / "config" / "limits.yaml", self.folder)
        self.book(NOTHING_BOOKED)


class Service:
    """A process with the real service; see ``struck_service`` for what may befall it."""

    def __init__(
        self,
        workshop: Workshop,
        *more: str,
        step: str | None = None,
        how: str = "kill",
        struck: bool = False,
        timers: Timers = TIMERS,
    ) -> None:
        folder = workshop.folder
        self._trigger, self._note = folder / "strike", folder / "struck-at"
        for path in (self._trigger, self._note):
            path.unlink(missing_ok=True)
        orders = {
            "timers": timers.plain(),
            "planner": str(workshop.planner),
            "step": step,
            "how": how,
            "trigger": str(self._trigger),
            "note": str(self._note),
        }
        (folder / "orders.json").write_text(json.dumps(orders))
        if struck:
            self.strike()
        self.errors = folder / "errors"
        command = [sys.executable, "-m", "tests.faults.struck_service",
                   str(folder / "orders.json"), "run", "--site", str(workshop.site_path),
                   *more]  # fmt: skip
        with self.errors.open("ab") as errors:
            self.process = subprocess.Popen(command, cwd=ROOT, stderr=errors)

    def strike(self) -> None:
        """Let the fault happen at the next call of its step."""
        self._trigger.touch()

    @property
    def struck_mono_s(self) -> float | None:
        """When the fault happened, on the machine's monotonic clock [s]."""
        text = self._note.read_text() if self._note.exists() else ""
        return float(text) if text else None

    def ended(self, within_s: float = 30.0) -> int:
        """Its exit code, waited for."""
        return self.process.wait(within_s)

    def resident_mb(self, field: str = "VmRSS") -> float:
        """Resident memory now, or at most so far (``VmHWM``) [MB]."""
        lines = Path(f"/proc/{self.process.pid}/status").read_text().splitlines()
        return next(int(x.split()[1]) for x in lines if x.startswith(field)) / 1024

    def end(self) -> None:
        """End our own process, whatever it is doing."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()


@contextlib.contextmanager
def live(workshop: Workshop, **strike: str) -> Iterator[Service]:
    """The service on real time, with sensors and relay that say something all the time."""
    ended = threading.Event()

    def talk() -> None:
        while not ended.wait(LIVE_PERIOD_S):
            workshop.say()
            workshop.relay.report()

    talker = threading.Thread(target=talk, daemon=True)
    talker.start()
    service = Service(workshop, **strike)
    try:
        yield service
    finally:
        service.end()
        ended.set()
        talker.join()


COLD_RETURN_C = 3.0
"""Heats at once: frost protection waits for no minimum pause, and return water has no rate."""


def heating_live(workshop: Workshop) -> None:
    """Wait until a live service heats: frost protection needs no time."""
    workshop.values["loop-return"] = COLD_RETURN_C
    within(30.0, lambda: workshop.relay.closed)

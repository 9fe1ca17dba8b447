"""The main job, start to end, on a simulated workshop in real weather and over real MQTT.

Three weeks of history are made at full speed. Then the real service runs on them, on a clock that
is paced from here: it learns, plans, preheats for a booked session and stops early, and the score
is read off the building's own truth. Nothing leaves this machine.
"""

from __future__ import annotations

import argparse
import contextlib
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from narration import Narrator

from controller.brokers import start_broker
from controller.calendar import sessions
from controller.clock import SystemClock
from controller.configuration import Configuration, load_all
from controller.local_time import LocalTime
from controller.privacy import keep_private
from controller.records.instant import Instant
from controller.records.limits import TICK_S
from controller.rehearsal.building import sensed_by
from controller.rehearsal.controller_driver import ControllerDriver, Rehearsed
from controller.rehearsal.diary import Diary
from controller.rehearsal.pacer import Pacer
from controller.rehearsal.recorded_past import RecordingDriver
from controller.rehearsal.runner import Span, run
from controller.rehearsal.season import WORKSHOP
from controller.rehearsal.weather import DEFAULT_WEATHER, read_weather
from controller.rehearsal.wired_workshop import WiredWorkshop
from controller.rehearsal.workshop import Workshop
from controller.store import open_reader, open_writer

EXAMPLE = Path(__file__).resolve().parents[1] / "config"
PAST_FROM, NOW = "2026-12-25 00:00", "2027-01-15 06:00"
"""Local times: the history begins, the service is started."""
PAST_TICK_S = 60.0
PAST_REPLAN_S = 3 * 3600.0
SPREAD = 0.15
"""Every number of the description is off by up to this share from the simulated workshop's."""

BOOKINGS = """\
targets:
  glue-up: 20
  bench-work: 16
bookings:
  saturday-bench:
    title: Planking and bench work
    weekdays: [saturday]
    start: 09:00
    end: 16:00
    target: bench-work
    changes:
      2027-01-16: {target: glue-up}
  evening-bench:
    title: An evening at the bench
    weekdays: [tuesday]
    every_weeks: 2
    since: 2026-12-29
    start: 18:00
    end: 21:00
    target: bench-work
"""


def main() -> int:
    """Run the demonstration; Ctrl-C or SIGTERM ends it at any time, broker and service with it."""
    options = _parser().parse_args()
    keep_private()
    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(128 + number))
    with contextlib.ExitStack() as stack, contextlib.suppress(KeyboardInterrupt):
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="slabtide-demo-")))
        host, port, kind = stack.enter_context(_broker(options.broker))
        site_path = _write_site(options.keep or folder, host, port)
        configuration = load_all(site_path)
        print(f"Broker: {kind} at {host}:{port}. Records: {configuration.store}", flush=True)
        scene = _scene(configuration, seed=options.seed)
        _make_past(scene)
        _run_service(scene, site_path, once=options.once, socket=folder / "pace")
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="deploy/demo", description=__doc__)
    add = parser.add_argument
    add("--once", action="store_true", help="end after the first session with its scorecard")
    add("--broker", metavar="KIND", default="auto", help="mosquitto, amqtt, auto (a fresh one of "
        "either; default), or HOST:PORT of one that is running")  # fmt: skip
    add("--seed", type=int, default=7, metavar="N", help="of people, doors, sensors and of how far "
        "the description is off (default: %(default)s)")  # fmt: skip
    add("--keep", type=Path, metavar="FOLDER", help="keep configuration and records there, to look "
        "at with `slabtide why` and the other commands")  # fmt: skip
    return parser


@contextlib.contextmanager
def _broker(wanted: str) -> Iterator[tuple[str, int, str]]:
    host, colon, port = wanted.rpartition(":")
    if colon:
        yield host, int(port), "yours"
        return
    with start_broker(wanted) as broker:
        yield broker.host, broker.port, f"a private {broker.kind}"


def _write_site(folder: Path, host: str, port: int) -> Path:
    """The example configuration with this broker and this demonstration's bookings."""
    folder.mkdir(parents=True, exist_ok=True)
    text = (EXAMPLE / "site.yaml").read_text(encoding="utf-8")
    broker = f'  host: {host}\n  port: {port}\n  protocol: "3.1.1"'
    text = re.sub(r"^  host: .*$", broker, text, count=1, flags=re.MULTILINE)
    text = re.sub(r"^store: .*$", "store: state", text, count=1, flags=re.MULTILINE)
    (folder / "site.yaml").write_text(text, encoding="utf-8")
    shutil.copyfile(EXAMPLE / "limits.yaml", folder / "limits.yaml")
    (folder / "bookings.yaml").write_text(BOOKINGS, encoding="utf-8")
    return folder / "site.yaml"


@dataclass(frozen=True)
class Scene:
    """The workshop, its bookings, and the two moments at which things begin (UTC seconds)."""

    configuration: Configuration
    building: Workshop
    rehearsed: Rehearsed
    past_s: float
    now_s: float

    def new_diary(self) -> Diary:
        """An empty diary for the heater's zones."""
        zones = [zone.id for zone in self.rehearsed.site.zones_of(self.rehearsed.heater)]
        return Diary(self.rehearsed.heater, zones)


def _scene(configuration: Configuration, *, seed: int) -> Scene:
    site = configuration.site
    local = LocalTime(site.time_zone)
    past_s, now_s = (local.parse(text, now_s=0.0) for text in (PAST_FROM, NOW))
    booked = sessions(
        configuration.bookings,
        time_zone=site.time_zone,
        since_s=past_s,
        until_s=now_s + 60 * 86400.0,
    )
    heater, weather = site.heaters[0], read_weather(DEFAULT_WEATHER)
    building = Workshop(site, heater.id, weather, booked, start_s=past_s, seed=seed, spread=SPREAD)
    rehearsed = Rehearsed(site, heater, configuration.limits, booked, replan_s=PAST_REPLAN_S)
    return Scene(configuration, building, rehearsed, past_s, now_s)


def _make_past(scene: Scene) -> None:
    """Run the days before the service is started, and put them into its store."""
    days = (scene.now_s - scene.past_s) / 86400.0
    print(f"Making {days:.0f} days of history, planned from the description alone:", flush=True)
    driver = ControllerDriver(scene.rehearsed, start_s=scene.past_s, learns=False)
    recording = RecordingDriver(driver)
    span = Span(scene.past_s, scene.now_s, PAST_TICK_S)
    diary, bar = scene.new_diary(), _Bar(days)
    run(scene.building, recording, span, diary=diary, spec=WORKSHOP, progress=bar)
    with contextlib.closing(open_writer(scene.configuration.store)) as store:
        kept = recording.write(store, scene.configuration.site)
    print(f"  {kept} readings are in the store.", flush=True)


class _Bar:
    """Progress with what is left: one line on a terminal, a few lines elsewhere."""

    def __init__(self, days: float) -> None:
        self._days, self._shown, self._terminal = days, -1, sys.stdout.isatty()
        self._clock = SystemClock()
        self._began_s = self._clock.now().mono_s

    def __call__(self, share: float) -> None:
        steps = 40 if self._terminal else 10
        done = int(share * steps)
        if done == self._shown:
            return
        self._shown = done
        bar = ("#" * done).ljust(steps, ".")
        line = f"  [{bar}] {self._days * (1.0 - share):.0f} days left{self._time_left(share)}"
        end = "\n" if done == steps or not self._terminal else ""
        print(f"\r{line}   " if self._terminal else line, end=end, flush=True)

    def _time_left(self, share: float) -> str:
        """How long the rest takes if it goes on as so far; nothing at either end."""
        if not 0.0 < share < 1.0:
            return ""
        left_s = (self._clock.now().mono_s - self._began_s) * (1.0 - share) / share
        return f", about {left_s:.0f} s" if left_s < 90.0 else f", about {left_s / 60.0:.0f} min"


def _run_service(scene: Scene, site_path: Path, *, once: bool, socket: Path) -> None:
    """Pace the real service through the next session, or through all that are booked."""
    start = Instant(scene.now_s, scene.now_s - scene.past_s)
    site, heater = scene.configuration.site, scene.rehearsed.heater
    coming = [s for s in scene.rehearsed.sessions if s.start_s > scene.now_s]
    with contextlib.ExitStack() as stack:
        pacer = stack.enter_context(Pacer(socket))
        wired = WiredWorkshop(
            scene.building, site=site, heater=heater, broker=site.broker, start=start
        )
        stack.callback(wired.close)
        stack.enter_context(_service(site_path, socket))
        pacer.accept()
        store = stack.enter_context(contextlib.closing(open_reader(scene.configuration.store)))
        narrator = Narrator(scene.configuration, heater.id, store, scene.building)
        narrator.begin(start.utc_s, coming[0])
        pace = _Paced(scene, pacer, wired, narrator, start)
        for session in coming[:1] if once else coming:
            pace.run_until(session.end_s)
            narrator.score(session, pace.diary, since_s=scene.now_s)


@contextlib.contextmanager
def _service(site_path: Path, socket: Path) -> Iterator[None]:
    command = [sys.executable, "-m", "controller", "run", "--quiet", "--site", str(site_path),
               "--lockstep", str(socket)]  # fmt: skip
    process = subprocess.Popen(command)
    try:
        yield
    finally:
        process.terminate()
        process.wait(timeout=30.0)


class _Paced:
    """Workshop and service in step: time goes on when both are done with a tick."""

    def __init__(
        self, scene: Scene, pacer: Pacer, wired: WiredWorkshop, narrator: Narrator, start: Instant
    ) -> None:
        self._building = scene.building
        self._pacer, self._wired, self._narrator = pacer, wired, narrator
        self._moment = start
        self.diary = scene.new_diary()

    def run_until(self, end_s: float) -> None:
        """Tick by tick to a moment (UTC seconds)."""
        while self._moment.utc_s < end_s:
            commands = self._pacer.step(self._moment, self._wired.send_messages)
            self._wired.wait_for_commands(commands)
            self._note()
            self._wired.advance(TICK_S)
            self._moment = Instant(self._moment.utc_s + TICK_S, self._moment.mono_s + TICK_S)

    def _note(self) -> None:
        at_s = self._moment.utc_s
        self.diary.command(self._wired.heating, at_s=at_s)
        if at_s % 60.0 == 0.0:
            values = sensed_by(self._building, spec=WORKSHOP)
            self.diary.note(self._building, values, at_s=at_s)
            self._narrator.tell(at_s, heating=self._wired.heating)


if __name__ == "__main__":
    sys.exit(main())

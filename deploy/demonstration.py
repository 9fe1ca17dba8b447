"""The main job, start to end, on a simulated workshop in real weather and over real MQTT.

Three weeks of history are made at full speed. Then the real service runs on them on a clock that
is paced from here: it learns, plans, preheats for a booked session, stops early, and the score is
read off the building's own truth. Nothing leaves this machine.
"""

from __future__ import annotations

import argparse
import contextlib
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from controller.brokers import start_broker
from controller.calendar import sessions
from controller.commands.fit import fit_lines
from controller.configuration import Configuration, load_all
from controller.local_time import LocalTime, duration
from controller.records.decision import Decision
from controller.records.instant import Instant
from controller.records.limits import TICK_S
from controller.records.sessions import Session
from controller.rehearsal.building import Building, sensed_by, true_values
from controller.rehearsal.controller_driver import ControllerDriver, Rehearsed
from controller.rehearsal.diary import Diary
from controller.rehearsal.pacer import Pacer
from controller.rehearsal.recorded_past import RecordingDriver
from controller.rehearsal.runner import Span, run
from controller.rehearsal.score import READY_BELOW_K, Prediction, score_sessions
from controller.rehearsal.season import WORKSHOP
from controller.rehearsal.weather import DEFAULT_WEATHER, read_weather
from controller.rehearsal.wired_workshop import WiredWorkshop
from controller.rehearsal.workshop import Workshop
from controller.sentences import Background, headline
from controller.store import Reader, open_reader, open_writer

EXAMPLE = Path(__file__).resolve().parents[1] / "config"
PAST_FROM, NOW = "2026-12-25 00:00", "2027-01-15 00:00"
"""Local times: the history begins, the service is started."""
PAST_TICK_S = 60.0
PAST_REPLAN_S = 3600.0
SPREAD = 0.15
"""The description is off by up to this share from the workshop that is simulated."""
SHOW_S = 3 * 3600.0
FROZEN_S = 12 * 3600.0
"""The prediction that is scored is the last one made at least this long before the session."""

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
    """Run the demonstration."""
    options = _parser().parse_args()
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="slabtide-demo-")))
        host, port, kind = stack.enter_context(_broker(options.broker))
        site_path = _write_site(options.keep or folder, host, port)
        configuration = load_all(site_path)
        print(f"Broker: {kind} at {host}:{port}. Records: {configuration.store}", flush=True)
        scene = _Scene.prepare(configuration, site_path, seed=options.seed)
        scene.make_past()
        with contextlib.suppress(KeyboardInterrupt):
            scene.live(once=options.once, socket=folder / "pace")
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
    shutil.copy(EXAMPLE / "limits.yaml", folder)
    (folder / "bookings.yaml").write_text(BOOKINGS, encoding="utf-8")
    return folder / "site.yaml"


@dataclass(frozen=True)
class _Scene:
    """The workshop and everything said about it."""

    configuration: Configuration
    site_path: Path
    local: LocalTime
    building: Building
    rehearsed: Rehearsed
    past_s: float
    now_s: float

    @classmethod
    def prepare(cls, configuration: Configuration, site_path: Path, *, seed: int) -> _Scene:
        site = configuration.site
        local = LocalTime(site.time_zone)
        past_s, now_s = (local.parse(text, now_s=0.0) for text in (PAST_FROM, NOW))
        booked = sessions(
            configuration.bookings,
            time_zone=site.time_zone,
            since_s=past_s,
            until_s=now_s + 60 * 86400.0,
        )
        building = Workshop(
            site,
            site.heaters[0].id,
            read_weather(DEFAULT_WEATHER),
            booked,
            start_s=past_s,
            seed=seed,
            spread=SPREAD,
        )
        rehearsed = Rehearsed(
            site, site.heaters[0], configuration.limits, booked, replan_s=PAST_REPLAN_S
        )
        return cls(configuration, site_path, local, building, rehearsed, past_s, now_s)

    def make_past(self) -> None:
        """Run the days before the service was started, and put them into its store."""
        days = (self.now_s - self.past_s) / 86400.0
        print(f"Making {days:.0f} days of history, planned from the description alone:", flush=True)
        driver = ControllerDriver(self.rehearsed, start_s=self.past_s, learns=False)
        recording = RecordingDriver(driver)
        span = Span(self.past_s, self.now_s, PAST_TICK_S)
        run(self.building, recording, span, diary=self._diary(), spec=WORKSHOP, progress=_Bar(days))
        with contextlib.closing(open_writer(self.configuration.store)) as store:
            kept = recording.write(store, self.configuration.site)
        print(f"  {kept} readings are in the store.", flush=True)

    def live(self, *, once: bool, socket: Path) -> None:
        """Run the service through the next session, or for ever."""
        coming = [s for s in self.rehearsed.sessions if s.start_s > self.now_s]
        start = Instant(self.now_s, self.now_s - self.past_s)
        first = f"{self.local.moment(coming[0].start_s)}, {coming[0].target_c:.0f} °C"
        print(
            f"\nThe service starts on {self.local.moment(self.now_s)}; booked: {first}.", flush=True
        )
        with contextlib.ExitStack() as stack:
            pacer = stack.enter_context(Pacer(socket))
            wired = WiredWorkshop(
                self.building,
                site=self.configuration.site,
                heater=self.rehearsed.heater,
                broker=self.configuration.site.broker,
                start=start,
            )
            stack.callback(wired.close)
            stack.enter_context(_service(self.site_path, socket))
            pacer.accept()
            store = stack.enter_context(contextlib.closing(open_reader(self.configuration.store)))
            watched = _Watched(self, pacer, wired, store, start)
            for session in coming[:1] if once else coming:
                watched.run_until(session.end_s)
                watched.print_score(session)

    def _diary(self) -> Diary:
        zones = [zone.id for zone in self.rehearsed.site.zones_of(self.rehearsed.heater)]
        return Diary(self.rehearsed.heater, zones)


class _Bar:
    """One line of progress with the time left, in simulated days."""

    def __init__(self, days: float) -> None:
        self._days, self._shown = days, -1

    def __call__(self, share: float) -> None:
        done = int(share * 20)
        if done > self._shown:
            self._shown = done
            bar = "#" * done + "." * (20 - done)
            left = f"{self._days * (1.0 - share):.0f} days left"
            print(f"\r  [{bar}] {left}   ", end="\n" if done == 20 else "", flush=True)


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


class _Watched:
    """The paced run, told line by line."""

    def __init__(
        self, scene: _Scene, pacer: Pacer, wired: WiredWorkshop, store: Reader, start: Instant
    ) -> None:
        self._scene, self._pacer, self._wired, self._store = scene, pacer, wired, store
        self._moment, self._heater = start, scene.rehearsed.heater.id
        self._diary = scene._diary()
        self._told: Decision | None = None
        self._shown_s = 0.0
        self._has_fit = False
        self._frozen: dict[str, Prediction] = {}

    def run_until(self, end_s: float) -> None:
        """Tick by tick to a moment, telling what changes."""
        while self._moment.utc_s < end_s:
            commands = self._pacer.step(self._moment, self._wired.send_messages)
            self._wired.wait_for_commands(commands[self._heater])
            self._note()
            self._wired.advance(TICK_S)
            self._moment = Instant(self._moment.utc_s + TICK_S, self._moment.mono_s + TICK_S)

    def _note(self) -> None:
        at_s, building = self._moment.utc_s, self._scene.building
        self._diary.command(self._wired.heating, at_s=at_s)
        if at_s % 60.0:
            return
        self._diary.note(building, sensed_by(building, spec=WORKSHOP), at_s=at_s)
        decision = self._store.last_decision(self._heater)
        if decision is not None:
            self._tell(decision)

    def _tell(self, decision: Decision) -> None:
        plan = self._store.latest_plan(self._heater)
        if plan is not None:
            for arrival in [a for o in plan.outlooks for a in o.arrivals]:
                session = next(s for s in plan.sessions if s.id == arrival.session)
                if plan.made_s <= session.start_s - FROZEN_S or session.id not in self._frozen:
                    self._frozen[session.id] = Prediction.of(arrival, made_s=plan.made_s)
        if not self._has_fit:
            self._has_fit = True
            self._tell_fit()
        last = self._told
        changed = last is None or (last.command.heat, last.wish.reason) != (
            decision.command.heat,
            decision.wish.reason,
        )
        if changed or self._moment.utc_s - self._shown_s >= SHOW_S:
            self._told, self._shown_s = decision, self._moment.utc_s
            self._print(headline(decision, Background(self._scene.local, plan)) if changed else "")

    def _tell_fit(self) -> None:
        for zone in self._scene.configuration.site.zones:
            learnt = self._store.latest_parameters(zone.id)
            if learnt is not None:
                print("", *fit_lines(learnt, None, self._scene.local), sep="\n", flush=True)

    def _print(self, said: str) -> None:
        truth = true_values(self._scene.building)
        state = "ON " if self._wired.heating else "off"
        when = self._scene.local.moment(self._moment.utc_s)
        print(f"{when}  heater {state}  slab {truth['slab']:4.1f}  room {truth['air']:4.1f}  "
              f"outdoors {truth['outdoor']:5.1f} °C  {said}", flush=True)  # fmt: skip

    def print_score(self, session: Session) -> None:
        """The scorecard of a session that has just ended."""
        since_s = self._scene.now_s
        [score] = score_sessions(self._diary, [session], self._frozen, start_s=since_s)
        expected, local = score.predicted, self._scene.local
        print(f"\nScorecard of {local.moment(session.start_s)}, {session.title!r}")
        print(f"  wanted        {score.target_c:.1f} °C (ready from "
              f"{score.target_c - READY_BELOW_K:.1f} °C)")  # fmt: skip
        if expected:
            ahead = duration(session.start_s - expected.made_s)
            print(f"  predicted     {expected.air_c:.1f} °C, 80 % between {expected.low_c:.1f} and "
                  f"{expected.high_c:.1f} °C ({ahead} ahead)")  # fmt: skip
        print(f"  actual        {score.actual_c:.1f} °C: {'ready' if score.ready else 'NOT ready'}")
        print(f"  shortfall     {score.shortfall_kh:.2f} K·h; highest {score.overshoot_k:.1f} K "
              "above target")  # fmt: skip
        print(f"  energy        {score.energy_kwh:.1f} kWh")
        if score.heat_from_s is not None and score.heat_until_s is not None:
            early = duration(session.end_s - score.heat_until_s)
            since, until = local.moment(score.heat_from_s), local.moment(score.heat_until_s)
            print(f"  heat          from {since} to {until}, {early} before the session's end")
        if score.rise_after_k is not None:
            print(
                f"  coast-up      the room rose by {score.rise_after_k:.1f} K after the last heat"
            )


if __name__ == "__main__":
    sys.exit(main())

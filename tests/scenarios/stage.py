"""The whole service in stepped time against simulated workshops: every scenario plays here.

Guard, intake, store, desk, planner, configuration and calendar are the real ones. What stands in
is the wire: messages are handed over instead of sent, and a relay board with its own clock obeys
leases (``devices.py``). The stage's time is the truth; the service's clocks may be wrong.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller import planning_desk
from controller.calendar import sessions, to_utc_s
from controller.clock import SteppedClock
from controller.configuration import Configuration, load_all
from controller.configuration_watch import ConfigurationWatch
from controller.guard import Guard
from controller.intake import Intake
from controller.planning_desk import PlanningDesk
from controller.records.instant import Instant
from controller.records.limits import TICK_S
from controller.records.sessions import Session
from controller.records.site import CirculationPump, Role
from controller.rehearsal.building import normalised, value_for
from controller.rehearsal.weather import Weather
from controller.rehearsal.workshop import Workshop
from controller.requests import leave_acknowledgement
from controller.store.writer import Writer, open_writer
from tests.scenarios.devices import SENSE_S, OutputLine, RelayLine, Wires
from tests.scenarios.planning import PlannerInHouse
from tests.scenarios.sites import bookings_text
from tests.scenarios.weathers import OpenDoor, held_at, winter

EXAMPLE = Path(__file__).parents[2] / "config"
HOUR_S = 3600.0
UP_SINCE_S = 5000.0
"""The monotonic clock of a machine at the first tick after its boot [s]."""


@dataclass(frozen=True)
class Setting:
    """What holds unless a scenario says otherwise.

    Attributes
    ----------
    start : str
        Wall time where the workshop is.
    sessions : tuple of str
        Each "date from-to target [°C]" in wall time, and the zone where there are several.
    edits : mapping of str to (old, new)
        Changes of the shipped example's text, by file.
    colder_k : float
        The shipped winter is this much colder [K].
    colder_since : str
        From when on, in the place's standard time.
    outdoor_c : float or None
        One temperature day and night instead of the winter's course [°C].
    off : float
        The description is off by up to this share.
    replan_s : float
        Time between two plans where nothing happens [s].
    plans : bool
        Whether the planner does its work.
    tick_s : float
        Coarser for stories of weeks [s].
    clock_off_s : float
        How far the service's wall clock is ahead of the truth at the start [s].
    """

    start: str = "2027-01-22 18:00"
    sessions: tuple[str, ...] = ("2027-01-23 09:00-12:00 16",)
    edits: tuple[tuple[str, str, str], ...] = ()
    colder_k: float = 0.0
    colder_since: str = "2027-01-01 00:00"
    outdoor_c: float | None = None
    off: float = 0.15
    replan_s: float = HOUR_S
    plans: bool = True
    tick_s: float = TICK_S
    clock_off_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Minute:
    """What was true at one moment of the play [stage's s; UTC s; by heater and role]."""

    at_s: float
    utc_s: float
    truth: Mapping[str, Mapping[str, float]] = field(repr=False)


class Stage:
    """One workshop, one service, one seed.

    Parameters
    ----------
    folder : Path
        For configuration and store.
    seed : int
        Of people, doors, sensors and of how far the description is off.
    **changes
        Fields of ``Setting``.
    """

    def __init__(self, folder: Path, seed: int, **changes: object) -> None:
        self.setting = replace(Setting(), **changes)  # type: ignore[arg-type]
        self.seed = seed
        self.files = folder / "config"
        self._write_files()
        self.configuration: Configuration = load_all(self.files / "site.yaml")
        site = self.configuration.site
        self.true_s = to_utc_s(datetime.fromisoformat(self.setting.start), site.time_zone)
        self.began_utc_s, self.at_s = self.true_s, 0.0
        self.clock_off_s, self._booted_s = self.setting.clock_off_s, -UP_SINCE_S
        self.workshops = self._build()
        self.wires = Wires(site.sensors)
        self.lines = {h.id: RelayLine(h, powered_s=0.0) for h in site.heaters}
        self.outputs = {
            o.id: OutputLine(o, powered_s=0.0) for h in site.heaters for o in site.outputs_of(h)
        }
        self.minutes: list[Minute] = []
        self.contacts: dict[str, list[bool]] = {name: [] for name in self._boards()}
        self.distress = io.StringIO()
        self._next_sense_s = self._leak_bar_per_h = 0.0
        self.boot()

    # --- the machine ----------------------------------------------------------------------------

    def boot(self) -> None:
        """Start a service on the store as it is."""
        self.clock = SteppedClock(self._now())
        watch = ConfigurationWatch(self.files / "site.yaml", load_all(self.files / "site.yaml"))
        self.configuration = watch.current
        self.store: Writer = open_writer(self.configuration.store)
        # what a power cut does to a disk is another test's business; here it costs time alone
        self.store._connection.execute("PRAGMA synchronous = OFF")
        self.planner = PlannerInHouse(self.configuration.store)
        self.planner.answers = self.setting.plans
        desk = PlanningDesk(
            site=self.configuration.site,
            limits=self.configuration.limits,
            planner=self.planner,  # type: ignore[arg-type]
            store=self.store,
        )
        self.guard = Guard(
            watch=watch,
            clock=self.clock,
            intake=Intake(self.configuration.site, self.wires, on_forecast=desk.want_plans),
            relays=self._boards(),
            store=self.store,
            desk=desk,
            distress=self.distress,
        )

    def kill(self) -> None:
        """End the process without a word, and start another."""
        self.store.close()
        self.boot()

    def power_cut(self, hours: float) -> None:
        """No power anywhere: contact open, nothing measured, and a machine that boots anew."""
        self.store.close()
        end_s = self.at_s + hours * HOUR_S
        for line in self._boards().values():
            line.power_up()
        while self.at_s < end_s:
            self._pass(self.setting.tick_s)
        for line in self._boards().values():
            line.power_up()
        self._booted_s = self.at_s
        self.wires.drain()
        self.boot()

    def hand_out_retained(self, *, age_s: float) -> None:
        """The broker hands out what each sensor said so long ago."""
        self.wires.retain(self._sensed(), true_s=self.true_s - age_s, at=self._now())

    def set_clock(self, off_s: float) -> None:
        """Set the service's wall clock to so far ahead of the truth [s]."""
        self.clock_off_s = off_s

    def edit(self, file: str, old: str, new: str) -> None:
        """The owner changes a file."""
        path = self.files / file
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new), encoding="utf-8")

    def book(self, *booked: str) -> None:
        """The owner writes other bookings."""
        (self.files / "bookings.yaml").write_text(bookings_text(booked), encoding="utf-8")

    def acknowledge(self) -> None:
        """The owner acknowledges every lockout."""
        for heater in self.lines:
            leave_acknowledgement(self.configuration.store, heater, at_s=self._now().utc_s)

    def leave_door_open(self, since: str, until: str, *, zone: str | None = None) -> None:
        """Leave every door open between two wall times, or one zone's alone."""
        zones = self.configuration.site.zones_of(self.workshop.heater)
        doors = OpenDoor(self.weather, zones, self.sessions(), seed=self.seed)
        doors.leave_open(self.utc_s(since), self.utc_s(until), zone=zone)
        self.workshop.meet(doors)

    def weaken_heater(self, share: float) -> None:
        """The heater gives only a share of what it should."""
        heater = self.workshop.heater
        self.workshop.heater = replace(heater, rating_w=share * heater.rating_w)

    @contextmanager
    def boiler_cut_off(self) -> Iterator[None]:
        """The boiler alone has no power, as by its own breaker; pump and meter go on."""
        heater = self.workshop.heater
        self.workshop.heater = replace(heater, rating_w=0.0)
        yield
        self.workshop.heater = heater

    def leak(self, bar_per_h: float) -> None:
        """Every loop loses pressure from now on; below 0 it is filled."""
        self._leak_bar_per_h = bar_per_h

    def break_thermostat(self, *, rating_w: float) -> None:
        """The boiler's own thermostat fails, and its element has this power [W]."""
        heater = self.workshop.heater
        self.workshop.heater = replace(heater, rating_w=rating_w, supply_limit_c=95.0)

    def spoil_parameters(self, nonsense: str) -> None:
        """Every learnt value in the store becomes this piece of JSON."""
        database = self.store._connection
        for key, text in database.execute("SELECT rowid, parameter_set FROM parameter_set"):
            spoilt = re.sub(r'"value": ?[^,}]+', f'"value":{nonsense}', text)
            assert spoilt != text
            database.execute(
                "UPDATE parameter_set SET parameter_set = ? WHERE rowid = ?", (spoilt, key)
            )

    # --- time -----------------------------------------------------------------------------------

    def run(self, *, hours: float = 0.0, minutes: float = 0.0) -> None:
        """Let the play go on."""
        end_s = self.at_s + hours * HOUR_S + minutes * 60.0
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(planning_desk, "REPLAN_S", self.setting.replan_s)
            while self.at_s < end_s - 1e-6:
                self.tick()

    def run_until(self, wall_time: str) -> None:
        """Let the play go on to a wall time where the workshop is."""
        self.run(hours=(self.utc_s(wall_time) - self.true_s) / HOUR_S)

    def preheat(self, *, minutes: float = 30.0, within_h: float = 24.0) -> None:
        """Let the play go on until the heater has been on for some minutes.

        It ends right after the sensors have spoken: the worst moment for one to fall silent.
        """
        for _ in range(round(within_h * HOUR_S / 60.0)):
            if any(line.closed for line in self.lines.values()):
                self.run(minutes=minutes)
                return self.tick()
            self.run(minutes=1.0)
        raise AssertionError(f"no heat within {within_h} h")

    def tick(self) -> None:
        """One step: what the sensors say, the guard's tick, and time with the contact as it is."""
        at = self._now()
        self.clock.set(at)
        if self.at_s >= self._next_sense_s:
            self._next_sense_s = self.at_s + SENSE_S
            self.wires.sense(self._sensed(), true_s=self.true_s, at=at)
        for line in self._boards().values():
            report, topic = line.report(at), line.switched.relay.report_topic
            if report is not None and topic is not None:
                self.wires.publish(topic, report, at=at)
        self.guard.tick()
        self._pass(self.setting.tick_s)

    def utc_s(self, wall_time: str) -> float:
        """A wall time where the workshop is [UTC s]."""
        return to_utc_s(datetime.fromisoformat(wall_time), self.configuration.site.time_zone)

    def sessions(self) -> tuple[Session, ...]:
        """What is booked now, from the play's begin on."""
        return sessions(
            load_all(self.files / "site.yaml").bookings,
            time_zone=self.configuration.site.time_zone,
            since_s=self.began_utc_s,
            until_s=self.began_utc_s + 30 * 86400.0,
        )

    def _now(self) -> Instant:
        return Instant(self.true_s + self.clock_off_s, self.at_s - self._booted_s)

    @property
    def workshop(self) -> Workshop:
        """What the first heater warms."""
        return next(iter(self.workshops.values()))

    def _boards(self) -> dict[str, RelayLine]:
        return {**self.lines, **self.outputs}

    def _sensed(self) -> dict[str, float]:
        """What every sensor reads, by role and subject."""
        found = {
            f"{Role.POWER}@{name}": output.power_w
            for name, output in self.outputs.items()
            if isinstance(output.switched, CirculationPump)
        }
        site = self.configuration.site
        for heater in site.heaters:
            values = normalised(self.workshops[heater.id].sense())
            for sensor in site.sensors_of(heater):
                value = value_for(values, sensor.role, sensor.subject)
                if value is not None:
                    found.setdefault(f"{sensor.role}@{sensor.subject}", value)
        return found

    def _pass(self, seconds: float) -> None:
        """Let the true time go on; contacts are looked at before, the truth once a minute."""
        for line in self._boards().values():
            line.now_s = self.at_s
        for name, line in self._boards().items():
            moves = line.lets_through if isinstance(line, OutputLine) else line.closed
            self.contacts[name].append(moves)
        if self.at_s % 60.0 < seconds:
            truth = {name: shop.truth() for name, shop in self.workshops.items()}
            self.minutes.append(Minute(self.at_s, self.true_s, truth))
        for name, workshop in self.workshops.items():
            workshop.cold_bar -= self._leak_bar_per_h * seconds / HOUR_S
            self._pipe(name)
            workshop.advance(seconds, self.contacts[name][-1])
        for output in self.outputs.values():
            output.pass_time(seconds)
        self.at_s += seconds
        self.true_s += seconds
        for line in self._boards().values():
            line.now_s = self.at_s

    def _pipe(self, name: str) -> None:
        """Let fluid go round as pump and valves stand."""
        site = self.configuration.site
        heater = site.heater(name)
        loops = site.loops_of(heater)
        ways = {
            loop.id: loop.valve is None or self.outputs[loop.valve.id].lets_through
            for loop in loops
        }
        self.workshops[name].pipe(
            open_loops=frozenset(loop for loop, is_open in ways.items() if is_open),
            pump_runs=self.outputs[heater.pump.id].lets_through if heater.pump else None,
        )

    # --- the scenery ----------------------------------------------------------------------------

    def _write_files(self) -> None:
        self.files.mkdir()
        for name in ("site.yaml", "limits.yaml"):
            (self.files / name).write_text((EXAMPLE / name).read_text(encoding="utf-8"))
        self.book(*self.setting.sessions)
        for file, old, new in self.setting.edits:
            self.edit(file, old, new)

    def _build(self) -> dict[str, Workshop]:
        site, setting = self.configuration.site, self.setting
        start = datetime.fromisoformat(setting.start).replace(tzinfo=ZoneInfo(site.time_zone))
        since = datetime.fromisoformat(setting.colder_since)
        self.weather: Weather = winter(site, start, colder_k=setting.colder_k, since=since)
        if setting.outdoor_c is not None:
            self.weather = held_at(self.weather, setting.outdoor_c)
        return {
            heater.id: Workshop(
                site,
                heater.id,
                self.weather,
                self.sessions(),
                start_s=self.true_s,
                seed=self.seed + 1000 * number,
                spread=setting.off,
            )
            for number, heater in enumerate(site.heaters)
        }

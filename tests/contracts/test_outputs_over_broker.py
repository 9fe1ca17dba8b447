"""Pump and valve on their whole way: service, a real broker, boards; judged at the boards alone."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller import service
from controller.brokers import start_broker
from controller.clock import SteppedClock
from controller.configuration import load_all
from controller.configuration_watch import ConfigurationWatch
from controller.records.instant import Instant
from controller.records.limits import LEASE_S, TICK_S
from controller.rehearsal.wired_workshop import WiredWorkshop
from controller.store import open_reader
from tests.controller.builders import START_S, make_plan
from tests.controller.guard_bench import FakeDesk, Fault

EXAMPLE = Path(__file__).resolve().parents[2] / "config"
OVERRUN_S, CLOSE_AFTER_S, TRAVEL_S, PROOF_S = 60.0, 120.0, 30.0, 90.0
POWER = """\
  circulator-power:
    role: power
    subject: circulator
    topic: tern-quay/circulator/power
    unit: W
    value_pointer: /value
    time_pointer: /time
"""


def write_site(folder: Path, host: str, port: int) -> Path:
    """The example with the pump and the valve that it shows as comments, and the pump's power."""
    text = (EXAMPLE / "site.yaml").read_text(encoding="utf-8")
    shown = r"^    # (?:circulation_pump|zone_valve):\n(?:    #   .*\n)+"
    text = re.sub(shown, lambda at: at[0].replace("\n    # ", "\n    "), text, flags=re.MULTILINE)
    text = re.sub("^    # (circulation_pump|zone_valve):", r"    \1:", text, flags=re.MULTILINE)
    broker = f'  host: {host}\n  port: {port}\n  protocol: "3.1.1"'
    for key, value in {
        r"  host: .*": broker,
        r"store: .*": "store: state",
        r"      overrun_min: .*": "      overrun_min: 1\n      proven_above_w: 20",
        r"      proof_s: .*": f"      proof_s: {PROOF_S:.0f}",
        r"      travel_s: .*": f"      travel_s: {TRAVEL_S:.0f}",
        r"      close_after_min: .*": "      close_after_min: 2",
        r"sensors:": "sensors:\n" + POWER.rstrip(),
    }.items():
        text, count = re.subn(f"^{key}$", value, text, flags=re.MULTILINE)
        assert count == 1, key
    (folder / "site.yaml").write_text(text, encoding="utf-8")
    limits = (EXAMPLE / "limits.yaml").read_text(encoding="utf-8")
    (folder / "limits.yaml").write_text(limits, encoding="utf-8")
    (folder / "bookings.yaml").write_text("bookings: {}\n", encoding="utf-8")
    return folder / "site.yaml"


class Shed:
    """A building of which only what the rules look at matters."""

    def __init__(self) -> None:
        self.now = datetime.fromtimestamp(START_S, UTC)
        self.supply_c = 30.0
        self._heated = False

    def sense(self) -> Mapping[str, float]:
        power_w = 9000.0 if self._heated else 0.0
        return {
            "slab": 16.0, "air": 14.0, "outdoor": 2.0, "irradiance": 0.0,
            "supply": self.supply_c, "return": 20.0, "power": power_w,
        }  # fmt: skip

    def advance(self, seconds: float, heater_on: bool) -> None:
        self.now += timedelta(seconds=seconds)
        self._heated = heater_on


@dataclass(frozen=True)
class Seen:
    """What hangs on the boards does after a tick."""

    heat: bool
    pump: bool
    valve: bool


class Stage:
    """The service's own parts and the workshop's boards, in step on one clock."""

    def __init__(self, folder: Path, stack: ExitStack, monkeypatch: pytest.MonkeyPatch) -> None:
        broker = stack.enter_context(start_broker("auto"))
        self.configuration = load_all(write_site(folder, broker.host, broker.port))
        site = self.configuration.site
        self.shed, self.desk = Shed(), FakeDesk(Fault())
        self.clock = SteppedClock(Instant(START_S, 5000.0))
        heater = site.heaters[0]
        self.wired = WiredWorkshop(
            self.shed, site=site, heater=heater, broker=site.broker, start=self.clock.now()
        )
        stack.callback(self.wired.close)
        monkeypatch.setattr(service, "PlanningDesk", lambda **_: self.desk)
        monkeypatch.setattr(service, "PlannerProcess", lambda *_: None)
        self._watch = ConfigurationWatch(folder / "site.yaml", self.configuration)
        self._service = stack.enter_context(ExitStack())
        self.parts = self._service.enter_context(service._parts(self._watch, self.clock))
        self._wait(lambda: all(r.connected for r in self.parts.relays.values()))
        self._wait(lambda: self.parts.sensors.connected)

    def hears_everything(self) -> bool:
        """Whether every topic comes through: amqtt loses one now and then to many clients."""
        sent = self.wired.send_messages()
        relays = self.parts.relays.values()
        return service.wait_for(
            lambda: self.parts.sensors.received >= sent and all(r.report for r in relays),
            service.SystemClock(),
            seconds=5.0,
        )

    def plan(self, *, heat: bool) -> None:
        self.desk.plans = {"boiler": make_plan(heat=heat, made_s=self.clock.now().utc_s)}

    def tick(self) -> Seen:
        sent = self.wired.send_messages()
        self._wait(lambda: self.parts.sensors.received >= sent)
        self.parts.guard.tick()
        commands = {name: relay.published for name, relay in self.parts.relays.items()}
        self.wired.wait_for_commands(commands)
        seen = self.look()
        self.pass_time()
        return seen

    def run(self, seconds: float) -> list[Seen]:
        return [self.tick() for _ in range(round(seconds / TICK_S))]

    def until_heat(self, within_s: float = 900.0) -> list[Seen]:
        """Everything until there is heat, which must come."""
        seen = [self.tick()]
        while not seen[-1].heat:
            assert len(seen) * TICK_S < within_s
            seen.append(self.tick())
        return seen

    def look(self) -> Seen:
        through = {n: o.lets_through(self.wired.mono_s) for n, o in self.wired.outputs.items()}
        return Seen(self.wired.heating, through["circulator"], through["bay-valve"])

    def pass_time(self) -> None:
        self.wired.advance(TICK_S)
        self.clock.advance(TICK_S)

    def stop(self) -> None:
        """End the service as SIGTERM does."""
        self._service.close()

    def die(self) -> None:
        """End it without a word: the broker sees every connection break."""
        for relay in self.parts.relays.values():
            relay.abandon()

    def _wait(self, condition) -> None:
        assert service.wait_for(condition, service.SystemClock(), seconds=10.0)


@pytest.fixture
def stage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Stage]:
    with ExitStack() as stack:
        for attempt in range(3):
            folder = tmp_path / str(attempt)
            folder.mkdir()
            made = Stage(folder, stack, monkeypatch)
            if made.hears_everything():
                break
            stack.close()
        yield made


def on_s(seen: list[Seen], name: str) -> float:
    """How long something was on."""
    return sum(getattr(one, name) for one in seen) * TICK_S


def test_valve_pump_heat_and_back(stage: Stage) -> None:
    """Heat comes last and goes first, and never without a way and a pump that turns."""
    stage.plan(heat=False)
    rest = stage.run(CLOSE_AFTER_S + 30.0)
    assert not any(one.heat for one in rest)
    assert rest[-1] == Seen(False, False, False)
    stage.plan(heat=True)
    seen = stage.until_heat() + stage.run(300.0)
    assert all(one.pump and one.valve for one in seen if one.heat)
    first = {name: [getattr(one, name) for one in seen].index(True) for name in ("pump", "heat")}
    assert first["heat"] > first["pump"]
    assert all(one.valve for one in seen if one.pump)
    stage.plan(heat=False)
    after = stage.run(CLOSE_AFTER_S + 30.0)
    assert not any(one.heat for one in after)
    assert OVERRUN_S <= on_s(after, "pump") <= OVERRUN_S + 2 * TICK_S
    assert CLOSE_AFTER_S <= on_s(after, "valve") <= CLOSE_AFTER_S + 2 * TICK_S
    with closing(open_reader(stage.configuration.store)) as reader:
        told = reader.last_decision("boiler").outputs
    assert [(one.output, one.on) for one in told] == [("circulator", False), ("bay-valve", False)]


def test_a_seized_pump_gets_no_heat_and_an_alarm(stage: Stage) -> None:
    """Its board reports a closed contact; its power shows that it stands. Freed, it is used."""
    stage.wired.outputs["circulator"].stuck = True
    stage.plan(heat=True)
    seen = stage.run(300.0 + PROOF_S + 120.0)
    assert not any(one.heat for one in seen)
    with closing(open_reader(stage.configuration.store)) as reader:
        decision = reader.last_decision("boiler")
    assert decision.deciding.reason == "stands"
    assert any(notice.alarm for notice in decision.notices)
    stage.wired.outputs["circulator"].stuck = False
    assert stage.until_heat()[-1].pump


def test_the_pump_runs_on_while_the_supply_is_too_hot(stage: Stage) -> None:
    """Heat ends within the sensor's interval; the pump does not, for as long as it lasts."""
    stage.plan(heat=True)
    stage.until_heat()
    stage.shed.supply_c = 57.0
    seen = stage.run(60.0 + 5 * OVERRUN_S)
    assert not any(one.heat for one in seen[7:])
    assert all(one.pump and one.valve for one in seen)


@pytest.mark.parametrize("how", ["stop", "die"])
def test_however_the_service_ends_the_heat_ends_first(stage: Stage, how: str) -> None:
    """The heater's OFF or will ends it; pump and valve go on by their leases, and then end too."""
    stage.plan(heat=True)
    stage.until_heat()
    heard = stage.wired.heard
    getattr(stage, how)()
    stage._wait(lambda: stage.wired.heard > heard)
    seen = []
    for _ in range(round((LEASE_S + CLOSE_AFTER_S + 120.0) / TICK_S)):
        seen.append(stage.look())
        stage.pass_time()
    assert not any(one.heat for one in seen)
    assert on_s(seen, "pump") >= LEASE_S + OVERRUN_S
    assert on_s(seen, "valve") >= on_s(seen, "pump")
    assert seen[-1] == Seen(False, False, False)

"""The sensors of the random histories: what each says of the truth, and how each can fail.

Every payload that holds a number is also noted as ``Heard``, so that the judge knows what was said
without asking the guard.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from controller.records.instant import Instant
from controller.records.site import OUTDOOR, Role, Sensor, Site
from controller.sensors.decode import Message
from tests.controller.builders import make_heater, make_site
from tests.histories.plant import Plant

REPORT_TOPIC = "workshop/boiler/report"
UNITS = {Role.RELAY_STATE: "on/off", Role.PRESSURE: "bar", Role.POWER: "W"}
NOISE = {Role.POWER: 20.0, Role.PRESSURE: 0.01, Role.RELAY_STATE: 0.0}
"""Greatest error of an honest reading; 0.1 for the rest."""
MODES = ("plain", "silent", "stuck", "offset", "junk", "fahrenheit", "swapped", "flapping", "wild")
JUNK = (b"", b"nan", b"unavailable", b"\xff\xfe", b"[1", b"1e999", b"{}", b"--", b"9" * 400)


@dataclass(frozen=True, slots=True)
class Heard:
    """One number as it was sent. ``delay_s``: receipt minus measurement on the guard's wall clock.

    ``honest``: the truth but for noise, in time, and not repeated by the broker.
    """

    sensor: str
    role: Role
    mono_s: float
    value: float
    delay_s: float = 0.0
    ageless: bool = False
    honest: bool = True
    measured_utc_s: float = 0.0


@dataclass
class Instrument:
    """One sensor, how often it speaks [s], and what is wrong with it."""

    sensor: Sensor
    period_s: float
    due_s: float
    mode: str = "plain"
    value: float = 0.0
    """The value at which it is stuck, or the rate of its drift [per hour]."""
    since_s: float = 0.0
    once: list[float] = field(default_factory=list)
    """Values to be said in place of the next readings."""


def full_site(*, reports: bool, timed: bool) -> Site:
    """Two slab sensors and every role whose rules are fitted."""
    heater = make_heater()
    relay = replace(heater.relay, report_topic=REPORT_TOPIC if reports else None)
    sensors = [
        _sensor(Role.SLAB, "bay", "slab-1"), _sensor(Role.SLAB, "bay", "slab-2", timed=timed),
        _sensor(Role.AIR, "bay", "air", timed=timed), _sensor(Role.OUTDOOR, OUTDOOR, "outdoor"),
        _sensor(Role.SUPPLY, "bay-loop", "supply"), _sensor(Role.RETURN, "bay-loop", "return"),
        _sensor(Role.PRESSURE, "bay-loop", "pressure"), _sensor(Role.POWER, "boiler", "power"),
        _sensor(Role.RELAY_STATE, "boiler", "state"),
    ]  # fmt: skip
    return make_site(heaters=(replace(heater, relay=relay),), sensors=tuple(sensors))


def bare_site(*, reports: bool, timed: bool) -> Site:
    """Slab and air alone, the least that a site may have."""
    site = full_site(reports=reports, timed=timed)
    return replace(site, sensors=tuple(s for s in site.sensors if s.id in ("slab-1", "air")))


def _sensor(role: Role, subject: str, name: str, *, timed: bool = False) -> Sensor:
    sensor = Sensor(name, role, subject, f"workshop/{name}", UNITS.get(role, "°C"))
    return replace(sensor, value_pointer="/v", time_pointer="/t") if timed else sensor


class Instruments:
    """All sensors of a site. Also the source of messages that the guard drains at each tick."""

    def __init__(self, site: Site, plant: Plant, *, seed: int, period_s: float) -> None:
        self._plant, self._random = plant, random.Random(seed)
        self.all = {
            sensor.id: Instrument(sensor, period_s, plant.mono_s + 3.0 + index)
            for index, sensor in enumerate(site.sensors)
        }
        self.heard: list[Heard] = []
        """What was said since the judge last looked."""
        self.state_late_s = 0.0
        """How late the relay's state is told [s]."""
        self._states: list[tuple[float, float]] = []
        self._messages: list[Message] = []
        self._sequence = 0

    def drain(self) -> list[Message]:
        """What a guard takes in; nothing while none runs, then the messages are lost."""
        messages, self._messages = self._messages, []
        return messages

    def take_lost(self) -> Mapping[str, int]:
        """Nothing is lost on the way: a flood is for other tests."""
        return {}

    def lose(self) -> None:
        """No broker, or nobody there who listens."""
        self._messages, self.heard = [], []

    def speak(self, now: Instant) -> None:
        """All that is due by now is said."""
        self._states.append((now.mono_s, float(self._plant.board.closed(now.mono_s))))
        while len(self._states) > 1 and self._states[1][0] <= now.mono_s - self.state_late_s:
            self._states.pop(0)
        for instrument in self.all.values():
            if instrument.due_s <= now.mono_s:
                instrument.due_s = max(instrument.due_s + instrument.period_s, now.mono_s + 1.0)
                self._say(instrument, now)

    def retained(self, name: str, value: float, now: Instant, *, old_s: float) -> None:
        """The broker hands out what it has kept for a while."""
        self._send(self.all[name], value, now, old_s=old_s, kept=True, honest=False)

    def _say(self, instrument: Instrument, now: Instant) -> None:
        if instrument.once:
            self._send(instrument, instrument.once.pop(0), now, honest=False)
            return
        for value, honest in self._values(instrument, now):
            self._send(instrument, value, now, honest=honest)

    def _values(self, instrument: Instrument, now: Instant) -> Iterator[tuple[float, bool]]:
        mode, role = instrument.mode, instrument.sensor.role
        lasted_s = now.mono_s - instrument.since_s
        if mode == "silent" or (mode == "flapping" and lasted_s % 1100.0 < instrument.value):
            return
        if mode == "junk":
            payload = self._random.choice(JUNK)
            self._put(instrument.sensor, payload, now, retained=False)
            return
        truth = self._measured(role)
        if mode == "swapped":
            truth = self._measured(Role.AIR if role is not Role.AIR else Role.SUPPLY)
        elif mode == "stuck":
            truth = instrument.value
        elif mode == "offset":
            truth += instrument.value * lasted_s / 3600.0
        elif mode == "fahrenheit":
            truth = 1.8 * truth + 32.0
        elif mode == "wild":
            truth += self._random.uniform(-1.0, 1.0) * instrument.value
        yield truth, mode in ("plain", "flapping")

    def _measured(self, role: Role) -> float:
        plant = self._plant
        if role is Role.RELAY_STATE:
            return self._states[0][1]
        truths = {
            Role.SLAB: plant.slab_c, Role.AIR: plant.air_c, Role.OUTDOOR: plant.outdoor_c,
            Role.SUPPLY: plant.supply_c, Role.RETURN: plant.return_c,
            Role.PRESSURE: plant.pressure_bar, Role.POWER: plant.power_w,
        }  # fmt: skip
        noise = NOISE.get(role, 0.1)
        return round(truths[role] + self._random.uniform(-noise, noise), 2)

    def _send(
        self,
        instrument: Instrument,
        value: float,
        now: Instant,
        *,
        old_s: float = 0.0,
        kept: bool = False,
        honest: bool,
    ) -> None:
        sensor = instrument.sensor
        timed = sensor.time_pointer is not None
        measured_s = now.utc_s - old_s
        payload = json.dumps({"v": value, "t": measured_s}) if timed else f"{value:g}"
        if sensor.role is Role.RELAY_STATE:
            value = float(value >= 0.5)
            payload = "on" if value else "off"
        self._put(sensor, payload.encode(), now, retained=kept)
        delay_s = old_s if timed else 0.0
        said = value if timed or sensor.role is Role.RELAY_STATE else float(payload)
        self.heard.append(
            Heard(
                sensor.id, sensor.role, now.mono_s, said, delay_s, kept and not timed, honest,
                measured_s if timed else now.utc_s,
            )
        )  # fmt: skip

    def _put(self, sensor: Sensor, payload: bytes, now: Instant, *, retained: bool) -> None:
        self._sequence += 1
        self._messages.append(Message(sensor.topic, payload, retained, now, self._sequence))

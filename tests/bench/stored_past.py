"""A past of any age and any number of zones, for measuring how the work grows with both.

Two months of a simulated season under a fixed early start, in a store told again and again
backwards in time; of several zones each is the one zone of the season under another name.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from controller.records.decision import Command, Decision, Wish
from controller.records.forecast import Forecast
from controller.records.instant import Instant
from controller.records.plan import Arrival, BlockReason, Rung
from controller.records.readings import Quality
from controller.records.sessions import Session
from controller.records.site import Role, Site
from controller.rehearsal.building import value_for
from controller.rehearsal.diary import Diary
from controller.rehearsal.memory import Memory
from controller.rehearsal.others import FixedStart
from controller.rehearsal.runner import Span, run
from controller.store import rows
from controller.store.database import connect_writer
from controller.store.transactions import transaction
from tests.bench.cases import Case
from tests.bench.served import DAY_S

PAST_DAYS = 60
SAMPLE_S = 300.0
"""Distance of the stored readings of one sensor [s]."""
DECISION_S = 900.0
"""Distance of the stored decisions [s]."""
_SEPARATOR = "~"


class NotingDriver:
    """A fixed early start whose readings and commands are kept, as the service would."""

    def __init__(self, made: Case) -> None:
        self._made = made
        zones = [zone.id for zone in made.site.zones_of(made.heater)]
        self._method = FixedStart(made.limits, made.sessions, zones)
        self.memory = Memory()

    def heat(self, now_s: float, values: Mapping[str, float]) -> bool:
        """The method's command at this moment."""
        for sensor in self._made.site.sensors_of(self._made.heater):
            value = value_for(values, sensor.role, sensor.subject)
            if value is not None:
                self.memory.add_sample(sensor.id, at_s=now_s, value=value)
        heat = self._method.heat(now_s, values)
        self.memory.add_command(self._made.heater.id, at_s=now_s, heat=heat)
        return heat


def remembered(made: Case, *, days: int = PAST_DAYS) -> Memory:
    """The history of a case's first days under a fixed early start."""
    driver = NotingDriver(made)
    diary = Diary(made.heater, [zone.id for zone in made.site.zones_of(made.heater)])
    span = Span(made.span.start_s, made.span.start_s + days * DAY_S, made.span.tick_s)
    spec = "the benchmark's workshop"
    run(made.make_building(), driver, span, diary=diary, spec=spec, progress=lambda share: None)
    return driver.memory


def store_past(folder: Path, made: Case, memory: Memory, *, days: int) -> None:
    """Write a store whose last days are the history's, and what is older its repetition."""
    end_s = made.span.start_s + PAST_DAYS * DAY_S
    with contextlib.closing(connect_writer(folder)) as connection, transaction(connection):
        for key, sensor in enumerate(made.site.sensors, 1):
            connection.execute("INSERT INTO sensor VALUES (?, ?)", (key, sensor.id))
            stored = (
                (key, rows.to_ms(at_s), 0, 0, value, rows.QUALITY_CODES[Quality.GOOD])
                for at_s, value in _samples(memory, sensor.id, end_s=end_s, days=days)
            )
            connection.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?)", stored)
        marks = ", ".join("?" * len(rows.DECISION_COLUMNS.split(",")))
        connection.executemany(
            f"INSERT INTO decision ({rows.DECISION_COLUMNS}) VALUES ({marks})",
            _decisions(made, memory, end_s=end_s, days=days),
        )


def _shifts_s(days: int) -> list[float]:
    """How far back the history is repeated, the oldest first [s]."""
    return [n * PAST_DAYS * DAY_S for n in reversed(range(-(-days // PAST_DAYS)))]


def _samples(
    memory: Memory, sensor: str, *, end_s: float, days: int
) -> Iterator[tuple[float, float]]:
    kept = memory.samples(sensor, 0.0, end_s)[:: round(SAMPLE_S / 60.0)]
    for back_s in _shifts_s(days):
        for at_s, value in kept:
            if at_s - back_s >= end_s - days * DAY_S:
                yield at_s - back_s, value


def _decisions(
    made: Case, memory: Memory, *, end_s: float, days: int
) -> Iterator[tuple[object, ...]]:
    changes = memory.heating(made.heater.id, 0.0, end_s)
    commands: list[tuple[float, bool]] = []
    for (since_s, heat), (until_s, _) in zip(changes, [*changes[1:], (end_s, False)], strict=True):
        count = int((until_s - since_s) // DECISION_S) + 1
        commands += [(since_s + n * DECISION_S, heat) for n in range(count)]
    for back_s in _shifts_s(days):
        for at_s, heat in commands:
            if at_s - back_s >= end_s - days * DAY_S:
                yield rows.decision_row(_decision(made, at_s - back_s, heat=heat))


def _decision(made: Case, at_s: float, *, heat: bool) -> Decision:
    reason = BlockReason.PREHEAT if heat else BlockReason.IDLE
    return Decision(
        at=Instant(at_s, 0.0),
        heater=made.heater.id,
        zones=tuple(zone.id for zone in made.site.zones_of(made.heater)),
        version="0",
        sensed=(),
        estimates=(),
        wish=Wish(heat, Rung.PROGRAMME, reason),
        verdicts=(),
        deciding=None,
        command=Command(made.heater.id, heat, 0, at_s, 2.0 * DECISION_S),
    )


def zone_name(zone: str, number: int) -> str:
    """Name of a zone's copy; the first keeps its own."""
    return f"{zone}{_SEPARATOR}{number}" if number else zone


def with_zones(site: Site, count: int) -> Site:
    """A site of one zone with so many alike, on one heater of so many times the rating."""
    numbers = range(count)
    (heater,) = site.heaters
    own = {zone.id for zone in site.zones} | {loop.id for loop in site.loops}
    many = replace(
        heater,
        rating_w=heater.rating_w * count,
        loops=tuple(zone_name(loop, n) for n in numbers for loop in heater.loops),
    )
    return replace(
        site,
        heaters=(many,),
        zones=tuple(replace(z, id=zone_name(z.id, n)) for n in numbers for z in site.zones),
        loops=tuple(
            replace(loop, id=zone_name(loop.id, n), zone=zone_name(loop.zone, n))
            for n in numbers for loop in site.loops
        ),
        sensors=tuple(
            replace(s, id=zone_name(s.id, n), subject=zone_name(s.subject, n))
            for n in numbers for s in site.sensors if n == 0 or s.subject in own
        ),
    )  # fmt: skip


def with_sessions(sessions: tuple[Session, ...], count: int) -> tuple[Session, ...]:
    """The sessions of one zone in each of so many."""
    return tuple(
        replace(s, id=zone_name(s.id, n), zone=zone_name(s.zone, n))
        for n in range(count) for s in sessions
    )  # fmt: skip


class AlikeZones:
    """A history of one zone as that of several alike; power is so many times as much.

    Parameters
    ----------
    site : Site
        Of one zone.
    memory : Memory
    count : int
    """

    def __init__(self, site: Site, memory: Memory, count: int) -> None:
        self._power = {sensor.id for sensor in site.sensors if sensor.role is Role.POWER}
        self._memory = memory
        self._count = count

    def samples(self, sensor: str, since_s: float, until_s: float) -> list[tuple[float, float]]:
        """Samples of the sensor of which this one is a copy."""
        found = self._memory.samples(sensor.partition(_SEPARATOR)[0], since_s, until_s)
        times = self._count if sensor in self._power else 1
        return [(at_s, value * times) for at_s, value in found]

    def heating(self, heater: str, since_s: float, until_s: float) -> list[tuple[float, bool]]:
        """Changes of the command."""
        return self._memory.heating(heater, since_s, until_s)

    def promised(self, heater: str, session: str, before_s: float) -> Arrival | None:
        """Nothing was."""
        return None

    def forecasts(self, since_s: float, until_s: float) -> list[Forecast]:
        """None were kept."""
        return self._memory.forecasts(since_s, until_s)

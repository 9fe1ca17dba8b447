"""The writing side of the store. One writer exists at a time; the guard owns it."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import Lock

from controller.clock import SystemClock
from controller.records.decision import Decision, HeaterState, Notice, Readback
from controller.records.forecast import Forecast
from controller.records.plan import ParameterSet, Plan
from controller.records.readings import Reading, RejectionCount
from controller.records.safety import Severity
from controller.store import queries, rows
from controller.store.condensing import condense
from controller.store.door import Door
from controller.store.failures import StoreFailed, StoreUnsuitable
from controller.store.forecast_thinning import DROPPED_AT_ONCE, drop_old_forecasts
from controller.store.lockout_marks import LockoutMarks
from controller.store.transactions import ending

log = logging.getLogger(__name__)

POINTS_KEPT_S = 30 * 86_400.0
"""How long a plan's expected temperatures are kept [s]: they fill 6 MB a day."""


def open_writer(folder: Path) -> Writer:
    """Open the store in a folder for writing; make it where there is none.

    Raises
    ------
    StoreFailed
        Where it cannot be made, opened or brought up to date.
    """
    door = Door(folder, SystemClock(), lasting=False)
    door.open()
    return Writer(door, folder)


def open_lasting_writer(folder: Path) -> Writer:
    """Open the store for the service, which goes on without one and until there is one again.

    A damaged store is set aside and a new one made. One that is locked, or on a disk that is full
    or away, is tried again at every call; until then every call raises StoreFailed.

    Raises
    ------
    StoreUnsuitable
        Where this version must not use it: only a person can help.
    """
    door = Door(folder, SystemClock(), lasting=True)
    try:
        door.open()
    except StoreUnsuitable:
        raise
    except StoreFailed as error:
        log.error("%s; it is tried again", error)  # noqa: TRY400 - the sentence says it all
    return Writer(door, folder)


class Writer:
    """Every change of the store. A method that returns has committed to disk.

    Methods raise StoreFailed, and nothing else, when the store cannot be written or read; then
    nothing of the call is stored. Any thread may call; calls wait for one another.

    Attributes
    ----------
    unreadable_states : dict of str to str
        Heaters whose stored state could not be understood, and why; see ``state``.
    """

    def __init__(self, door: Door, folder: Path) -> None:
        self.unreadable_states: dict[str, str] = {}
        self._door = door
        self._marks = LockoutMarks(folder)
        self._lock = Lock()
        self._sensor_keys: dict[str, int] = {}
        self._keys_of = self._looked_at = door.generation
        self._met: dict[str, int] = {}

    @property
    def generation(self) -> int:
        """Counts the files that were opened: changed where a new one took a store's place."""
        return self._door.generation

    def look(self) -> int:
        """Look whether another file has taken the store's place; the ``generation`` there is now.

        What is known of that file's folder is forgotten: a disk may have been mounted over it.
        """
        with self._lock:
            opened = self._door.look()
            if opened != self._looked_at:
                self._marks.forget()
                self._looked_at = opened
        return opened

    def met(self, heater: str, generation: int) -> None:
        """Let a heater's state be stored in the file of this ``generation`` alone.

        Called when what that file holds of the heater has been read: a file that takes its place
        in the middle of a tick may hold a lockout that nobody has seen yet. 0 is no file at all.
        """
        self._met[heater] = generation

    def notices(self) -> tuple[Notice, ...]:
        """What is wrong with the store at this moment."""
        return self._door.notices()

    @property
    def _connection(self) -> sqlite3.Connection:
        return self._door.connection

    def add_readings(self, readings: Sequence[Reading]) -> None:
        """Store readings, whatever their quality.

        The same reading again, as a broker hands out after a reconnect, is stored once. A
        different one under the same key (a clock set back, then a restart) moves to the next
        free sequence number, so that none is lost.
        """
        with self._writing("store readings"):
            for reading in readings:
                self._add_reading(reading)

    def add_imported(
        self, readings: Iterable[Reading], *, in_place_of: Mapping[str, tuple[float, float]]
    ) -> None:
        """Store an imported log, all of it or nothing.

        Parameters
        ----------
        readings : iterable of Reading
        in_place_of : mapping
            Id to the span [UTC s] whose readings are removed first, both ends included.
        """
        with self._writing("import a log"):
            for sensor, (first_s, last_s) in in_place_of.items():
                self._connection.execute(
                    "DELETE FROM reading WHERE sensor = ? AND measured_ms BETWEEN ? AND ?",
                    (self._sensor_key(sensor), rows.to_ms(first_s), rows.to_ms(last_s)),
                )
            for reading in readings:
                self._add_reading(reading)

    def _add_reading(self, reading: Reading) -> None:
        measured_ms = rows.to_ms(reading.measured_s)
        key = self._sensor_key(reading.sensor)
        content = (
            rows.to_ms(reading.received_s) - measured_ms,
            reading.value,
            rows.QUALITY_CODES[reading.quality],
        )
        stored = self._connection.execute(
            "INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?) "
            "ON CONFLICT (sensor, measured_ms, sequence) DO NOTHING",
            (key, measured_ms, reading.sequence, *content),
        )
        if stored.rowcount == 0:
            self._add_under_taken_key(key, measured_ms, content)

    def _add_under_taken_key(
        self, key: int, measured_ms: int, content: tuple[int, float, int]
    ) -> None:
        self._connection.execute(
            "INSERT INTO reading SELECT sensor, measured_ms, max(sequence) + 1, ?, ?, ? "
            "FROM reading WHERE sensor = ? AND measured_ms = ? GROUP BY measured_ms "
            "HAVING sum(value = ? AND quality = ?) = 0",
            (*content, key, measured_ms, *content[1:]),
        )

    def _sensor_key(self, sensor: str) -> int:
        if sensor not in self._sensor_keys:
            self._connection.execute(
                "INSERT INTO sensor (id) VALUES (?) ON CONFLICT (id) DO NOTHING", (sensor,)
            )
            found = self._connection.execute("SELECT key FROM sensor WHERE id = ?", (sensor,))
            self._sensor_keys[sensor] = int(found.fetchone()[0])
        return self._sensor_keys[sensor]

    def count_rejections(self, counts: Sequence[RejectionCount]) -> None:
        """Add rejections seen since the last call to the count of their day (UTC)."""
        with self._writing("count rejected readings"):
            for entry in counts:
                self._connection.execute(
                    "INSERT INTO rejection VALUES (?, ?, ?, ?, ?, ?) "
                    "ON CONFLICT (sensor, reason, day) DO UPDATE SET "
                    "count = count + excluded.count, "
                    "last_ms = excluded.last_ms, example = excluded.example",
                    (
                        self._sensor_key(entry.sensor),
                        entry.reason.value,
                        int(entry.last_s // 86_400),
                        entry.count,
                        rows.to_ms(entry.last_s),
                        entry.example,
                    ),
                )

    def add_decision(self, decision: Decision, state: HeaterState) -> None:
        """Store a decision and the heater's state that goes with it, both or neither."""
        self._marks.keep(decision.heater, state.latched)
        with self._writing("store a decision"):
            values = rows.decision_row(decision)
            marks = ", ".join("?" for _ in values)
            self._connection.execute(
                f"INSERT INTO decision ({rows.DECISION_COLUMNS}) VALUES ({marks})",  # noqa: S608 - our own column names
                values,
            )
            self._keep_state(decision.heater, state)
        self._marks.lift(decision.heater, state.latched)

    def save_state(self, heater: str, state: HeaterState) -> None:
        """Store a heater's state alone, between two decisions."""
        self._marks.keep(heater, state.latched)
        with self._writing("store a heater's state"):
            self._keep_state(heater, state)
        self._marks.lift(heater, state.latched)

    def _keep_state(self, heater: str, state: HeaterState) -> None:
        opened = self._door.generation
        if self._met.get(heater, opened) != opened:
            raise StoreFailed(f"what {self._door.path} holds of {heater} is yet to be read")
        self._connection.execute(
            "INSERT INTO heater_state VALUES (?, ?) "
            "ON CONFLICT (heater) DO UPDATE SET state = excluded.state",
            (heater, rows.to_json(state)),
        )
        self.unreadable_states.pop(heater, None)

    def state(self, heater: str) -> HeaterState | None:
        """What was stored of a heater, None where there is nothing or nothing readable.

        The two differ: ``unreadable_states`` names the heater in the second case alone.
        """
        with self._lock, self._door.use("read a heater's state"):
            row = self._connection.execute(
                "SELECT state FROM heater_state WHERE heater = ?", (heater,)
            ).fetchone()
        if row is None:
            return None
        try:
            return rows.state_from(row[0])
        except ValueError as error:
            self.unreadable_states[heater] = str(error)
            return None

    def lockouts(self, heater: str) -> frozenset[str]:
        """The rules of which a heater's mark beside the store says that they locked it out.

        To be asked beside ``state``, which may be lost or older. Never raises StoreFailed.
        """
        return self._marks.of(heater)

    def adopt_lockouts(self, heaters: Collection[str]) -> frozenset[str]:
        """Lock these heaters out for those that are no longer there; give their names."""
        return self._marks.adopt(heaters)

    def last_sequence(self, heater: str) -> int:
        """The sequence number decided last for a heater, 0 where there is none that can be.

        A relay refuses an older one, so an unreadable state must not start again from 0.
        """
        with self._lock, self._door.use("read the last sequence number"):
            row = self._connection.execute(
                "SELECT sequence FROM decision WHERE +heater = ? ORDER BY id DESC LIMIT 1",
                (heater,),
            ).fetchone()
        last = 0 if row is None else row[0]
        return last if isinstance(last, int) and 0 < last <= rows.HIGHEST_SEQUENCE else 0

    def was_locked_out(self, heater: str) -> bool:
        """Whether the last decision of a heater, but for a stop of the service, was a lockout.

        A lockout must not be forgotten with a state that cannot be read.
        """
        with self._lock, self._door.use("read the last decision"):
            row = self._connection.execute(
                "SELECT deciding_severity FROM decision "
                "WHERE +heater = ? AND deciding_rule IS NOT 'service' ORDER BY id DESC LIMIT 1",
                (heater,),
            ).fetchone()
        return row is not None and row[0] == Severity.LOCKOUT

    def add_readback(self, heater: str, readback: Readback) -> None:
        """Store what a relay said after a command; the latest for a sequence number stays."""
        with self._writing("store a read-back"):
            self._connection.execute(
                "INSERT OR REPLACE INTO readback VALUES (?, ?, ?, ?, ?)",
                (
                    heater,
                    readback.sequence,
                    rows.to_ms(readback.at_s),
                    readback.heat,
                    readback.agrees,
                ),
            )

    def add_plan(self, plan: Plan) -> None:
        """Store a plan; drop the expected temperatures of two older than ``POINTS_KEPT_S``."""
        with self._writing("store a plan"):
            bare, points = rows.plan_texts(plan)
            self._connection.execute(
                "INSERT OR REPLACE INTO plan VALUES (?, ?, ?, ?, ?)",
                (plan.id, plan.heater, rows.to_ms(plan.made_s), bare, points),
            )
            self._connection.execute(
                "UPDATE plan SET points = NULL WHERE rowid IN (SELECT rowid FROM plan "
                "WHERE heater = ? AND made_ms < ? AND points IS NOT NULL ORDER BY made_ms LIMIT ?)",
                (plan.heater, rows.to_ms(plan.made_s - POINTS_KEPT_S), DROPPED_AT_ONCE),
            )

    def add_forecast(self, forecast: Forecast) -> bool:
        """Store a forecast that says anything else than the last one; tell whether it did.

        A broker hands out a retained one again after each reconnect, and some publishers repeat
        theirs. Of those received long before this one some are dropped, see
        ``forecast_thinning``.
        """
        points = rows.forecast_text(forecast.points)
        with self._writing("store a forecast"):
            last = self._connection.execute(
                "SELECT points FROM forecast ORDER BY id DESC LIMIT 1"
            ).fetchone()
            if last is not None and last[0] == points:
                return False
            self._connection.execute(
                "INSERT INTO forecast (received_ms, points) VALUES (?, ?)",
                (rows.to_ms(forecast.received_s), points),
            )
            drop_old_forecasts(self._connection, received_s=forecast.received_s)
        return True

    def add_parameters(self, parameters: ParameterSet) -> None:
        """Store a zone's parameters; those stored last are the ones in force."""
        with self._writing("store learnt parameters"):
            self._connection.execute(
                "INSERT OR REPLACE INTO parameter_set VALUES (?, ?, ?, ?)",
                (
                    parameters.id,
                    parameters.zone,
                    rows.to_ms(parameters.made_s),
                    rows.to_json(parameters),
                ),
            )

    def keep_configuration(self, name: str, text: str, loaded_s: float) -> None:
        """Store a configuration text where it differs from the last one of that name."""
        with self._writing("store a configuration text"):
            last = self._connection.execute(
                "SELECT text FROM configuration WHERE name = ? ORDER BY id DESC LIMIT 1", (name,)
            ).fetchone()
            if last is None or last[0] != text:
                self._connection.execute(
                    "INSERT INTO configuration (name, loaded_ms, text) VALUES (?, ?, ?)",
                    (name, rows.to_ms(loaded_s), text),
                )

    def condense(self, now_s: float) -> bool:
        """Make old rows fewer by one small step; whether there was one to do."""
        with self._writing("condense old records"):
            return condense(self._connection, rows.to_ms(now_s))

    def latest_plan(self, heater: str) -> Plan | None:
        """The plan made last for a heater."""
        with self._lock, self._door.use("read the latest plan"):
            return queries.latest_plan(self._connection, heater)

    def latest_parameters(self, zone: str) -> ParameterSet | None:
        """The parameters of a zone made last."""
        with self._lock, self._door.use("read learnt parameters"):
            return queries.latest_parameters(self._connection, zone)

    def close(self) -> None:
        """Close the store; the write-ahead log is folded into the file."""
        with self._lock:
            self._door.close()

    @contextmanager
    def _writing(self, doing: str) -> Iterator[None]:
        with self._lock, self._door.use(doing) as connection:
            if self._keys_of != self._door.generation:
                self._sensor_keys.clear()
                self._keys_of = self._door.generation
            try:
                self._door.begin(connection)
                with ending(connection):
                    yield
            except BaseException:
                self._sensor_keys.clear()  # a key given in what was undone is not taken
                raise

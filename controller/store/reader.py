"""The reading side of the store: planner, commands, and whatever looks back.

It never writes, never waits for the writer, and sees what was committed when a question is
asked, also after the writer was killed.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from controller.records.decision import Decision, Readback
from controller.records.forecast import Forecast
from controller.records.plan import Arrival, ParameterSet, Plan
from controller.records.readings import Quality, Rejection, RejectionCount
from controller.store import queries, rows
from controller.store.condensing import LONGEST_FOLD_MS, SLOT_MS
from controller.store.database import FILE_NAME, connect_reader
from controller.store.failures import reported


def open_reader(folder: Path) -> Reader:
    """Open the store in a folder read-only.

    Raises
    ------
    StoreMissing
        Where the service has never run.
    StoreFailed
        Where there is a store that cannot be read.
    """
    path = folder / FILE_NAME
    with reported("open the store", path):
        return Reader(connect_reader(folder), path)


class Reader:
    """Every question to the store. Methods raise StoreFailed where it cannot answer.

    To be used in the thread that opened it.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self._path = path

    def samples(self, sensor: str, since_s: float, until_s: float) -> list[tuple[float, float]]:
        """Good readings of a sensor in [since_s, until_s).

        Of old ones the means of quarters of an hour are left, each at the middle of its own.

        Returns
        -------
        list of (float, float)
            Time of measurement [s UTC] and value in the house unit, by time.
        """
        with reported("read a sensor's history", self._path):
            span = (rows.to_ms(since_s), rows.to_ms(until_s))
            found = self._connection.execute(
                "SELECT measured_ms / 1000.0, value FROM reading "
                "WHERE sensor = (SELECT key FROM sensor WHERE id = ?) "
                "AND measured_ms >= ? AND measured_ms < ? AND quality = ? "
                # not of a damaged row: to SQLite every text lies above every number
                "AND value BETWEEN -1e12 AND 1e12 ORDER BY measured_ms, sequence",
                (sensor, *span, rows.QUALITY_CODES[Quality.GOOD]),
            ).fetchall()
            means = self._connection.execute(
                "SELECT (start_ms + ?1) / 1000.0, mean FROM rolled "
                "WHERE sensor = (SELECT key FROM sensor WHERE id = ?2) "
                "AND start_ms >= ?3 - ?1 AND start_ms < ?4 - ?1 AND good > 0 "
                "AND mean BETWEEN -1e12 AND 1e12 ORDER BY start_ms",
                (SLOT_MS // 2, sensor, *span),
            ).fetchall()
        return sorted(means + found, key=_time_of) if means else found

    def span_s(self, sensor: str, since_s: float, until_s: float) -> tuple[float, float] | None:
        """Times of the first and last good reading in [since_s, until_s) [s UTC]."""
        span = (rows.to_ms(since_s), rows.to_ms(until_s))
        with reported("read a sensor's history", self._path):
            (key,) = self._connection.execute(
                "SELECT (SELECT key FROM sensor WHERE id = ?)", (sensor,)
            ).fetchone()
            ends = self._connection.execute(
                "WITH good AS NOT MATERIALIZED (SELECT measured_ms AS at_ms FROM reading "
                "WHERE sensor = ?1 AND measured_ms >= ?2 AND measured_ms < ?3 AND quality = ?4), "
                "mean AS NOT MATERIALIZED (SELECT start_ms + ?5 AS at_ms FROM rolled "
                "WHERE sensor = ?1 AND start_ms >= ?2 - ?5 AND start_ms < ?3 - ?5 AND good > 0) "
                "SELECT (SELECT at_ms FROM good ORDER BY at_ms LIMIT 1), "
                "(SELECT at_ms FROM good ORDER BY at_ms DESC LIMIT 1), "
                "(SELECT at_ms FROM mean ORDER BY at_ms LIMIT 1), "
                "(SELECT at_ms FROM mean ORDER BY at_ms DESC LIMIT 1)",
                (key, *span, rows.QUALITY_CODES[Quality.GOOD], SLOT_MS // 2),
            ).fetchone()
        known = [at_ms for at_ms in ends if at_ms is not None]
        return (rows.to_s(min(known)), rows.to_s(max(known))) if known else None

    def heating(self, heater: str, since_s: float, until_s: float) -> list[tuple[float, bool]]:
        """Changes of a heater's command in [since_s, until_s), as its relay carried them out.

        An ON that no decision renewed ends with its lease: when the service was dead, so was
        the heat.

        Returns
        -------
        list of (float, bool)
            Time of the decision [s UTC] and whether there is heat from then on, by time. The
            first entry is the one in force at ``since_s``, with a time at or before it; there
            is none where no decision is that old.
        """
        with reported("read a heater's history", self._path):
            found = self._connection.execute(
                "SELECT utc_ms, heat, lease_ms, coalesce(until_ms, utc_ms) FROM decision "
                "LEFT JOIN folded ON decision = id WHERE heater = ? AND utc_ms < ? "
                "AND utc_ms >= coalesce((SELECT max(utc_ms) FROM decision "
                "WHERE heater = ? AND utc_ms <= ?), ?) ORDER BY utc_ms, id",
                (
                    heater,
                    rows.to_ms(until_s),
                    heater,
                    rows.to_ms(since_s),
                    rows.to_ms(since_s),
                ),
            ).fetchall()
        return _in_force_at(_changes(found, rows.to_ms(until_s)), since_s)

    def promised(self, heater: str, session: str, before_s: float) -> Arrival | None:
        """What the last plan made for a heater before a moment promised a session.

        None where there is no such plan, or it did not look as far as the session.
        """
        with reported("read a plan", self._path):
            row = self._connection.execute(
                "SELECT plan FROM plan WHERE heater = ? AND made_ms <= ? "
                "ORDER BY made_ms DESC, rowid DESC LIMIT 1",
                (heater, rows.to_ms(before_s)),
            ).fetchone()
            return None if row is None else rows.arrival_from(row[0], session)

    def forecasts(self, since_s: float, until_s: float) -> list[Forecast]:
        """Forecasts received in [since_s, until_s), by time of receipt; no damaged ones."""
        with reported("read forecasts", self._path):
            found = self._connection.execute(
                "SELECT received_ms, points FROM forecast "
                "WHERE received_ms >= ? AND received_ms < ? ORDER BY received_ms, id",
                (rows.to_ms(since_s), rows.to_ms(until_s)),
            )
            return list(_readable(found))

    def latest_plan(self, heater: str) -> Plan | None:
        """The plan made last for a heater."""
        with reported("read the latest plan", self._path):
            return queries.latest_plan(self._connection, heater)

    def plan(self, plan_id: str, *, points: bool = True) -> Plan | None:
        """One plan; an old one has no expected temperatures left, nor one read without them."""
        with reported("read a plan", self._path):
            row = self._connection.execute(
                "SELECT plan, CASE WHEN ? THEN points END FROM plan WHERE id = ?",
                (points, plan_id),
            ).fetchone()
            return None if row is None else rows.plan_from(*row)

    def latest_parameters(self, zone: str) -> ParameterSet | None:
        """The parameters of a zone made last."""
        with reported("read learnt parameters", self._path):
            return queries.latest_parameters(self._connection, zone)

    def parameters(self, zone: str) -> list[ParameterSet]:
        """Every parameter set a zone ever had, newest last."""
        with reported("read learnt parameters", self._path):
            found = self._connection.execute(
                "SELECT parameter_set FROM parameter_set WHERE zone = ? ORDER BY rowid",
                (zone,),
            )
            return [rows.from_json(ParameterSet, text) for (text,) in found]

    def decisions(
        self,
        since_s: float,
        until_s: float,
        *,
        zone: str | None = None,
        heater: str | None = None,
    ) -> list[Decision]:
        """Decisions taken in [since_s, until_s), newest last; of one zone or heater if given.

        An old one that stands for others belongs to the span where the last of them does.
        """
        since_ms, until_ms = rows.to_ms(since_s), rows.to_ms(until_s)
        with reported("read decisions", self._path):
            found = self._connection.execute(
                f"SELECT {rows.READ_COLUMNS} FROM {rows.READ_FROM} "  # noqa: S608 - our own column names
                "WHERE utc_ms >= ? AND utc_ms < ? AND coalesce(until_ms, utc_ms) >= ? "
                "AND (? IS NULL OR heater = ?) "
                "AND (? IS NULL OR EXISTS (SELECT 1 FROM json_each(zones) WHERE value = ?)) "
                "ORDER BY utc_ms, id",
                (since_ms - LONGEST_FOLD_MS, until_ms, since_ms, heater, heater, zone, zone),
            )
            return [rows.decision_from(row) for row in found]

    def decision_at(self, utc_s: float, heater: str | None = None) -> Decision | None:
        """The last decision taken at or before a moment."""
        return self._one_decision(
            "WHERE utc_ms <= ? AND (? IS NULL OR heater = ?) ORDER BY utc_ms DESC, id DESC",
            (rows.to_ms(utc_s), heater, heater),
        )

    def last_decision(self, heater: str) -> Decision | None:
        """The decision written last, whatever the wall clock said."""
        # The plus keeps SQLite from sorting the whole history by way of an index.
        return self._one_decision("WHERE +heater = ? ORDER BY id DESC", (heater,))

    def latest_decision(self) -> Decision | None:
        """The decision of any heater written last."""
        return self._one_decision("ORDER BY id DESC", ())

    def _one_decision(self, choice: str, values: tuple[object, ...]) -> Decision | None:
        with reported("read a decision", self._path):
            row = self._connection.execute(
                f"SELECT {rows.READ_COLUMNS} FROM {rows.READ_FROM} {choice} LIMIT 1",  # noqa: S608 - our own column names
                values,
            ).fetchone()
            return None if row is None else rows.decision_from(row)

    def readback(self, heater: str, sequence: int) -> Readback | None:
        """What the relay had last said of the command of that sequence number or one before.

        Renewals of a command are not answered one by one: the answer to the command that they
        renew is theirs too. ``Readback.sequence`` tells which one it was.
        """
        with reported("read a read-back", self._path):
            row = self._connection.execute(
                "SELECT sequence, at_ms, heat, agrees FROM readback "
                "WHERE heater = ? AND sequence <= ? ORDER BY sequence DESC LIMIT 1",
                (heater, sequence),
            ).fetchone()
            return None if row is None else rows.readback_from(row)

    def rejections(self, since_s: float = 0.0) -> list[RejectionCount]:
        """Rejected payloads by sensor and reason, from the day (UTC) of ``since_s`` on."""
        with reported("read rejected readings", self._path):
            # With one max() SQLite takes the other columns from the row that holds it.
            found = self._connection.execute(
                "SELECT sensor.id, reason, sum(count), max(last_ms), example FROM rejection "
                "JOIN sensor ON sensor.key = rejection.sensor WHERE day >= ? "
                "GROUP BY sensor.id, reason ORDER BY sensor.id, reason",
                (int(since_s // 86_400),),
            )
            return [
                RejectionCount(
                    sensor=sensor,
                    reason=Rejection(reason),
                    count=count,
                    last_s=rows.to_s(last_ms),
                    example=example,
                )
                for sensor, reason, count, last_ms, example in found
            ]

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()


def _readable(found: Iterable[tuple[int, str]]) -> Iterator[Forecast]:
    """The forecasts in rows: one that is damaged must not end planning while it is kept."""
    for received_ms, points in found:
        with suppress(ValueError):
            yield Forecast(rows.to_s(received_ms), rows.forecast_points(points))


def _changes(found: list[tuple[int, int, int, int]], until_ms: int) -> list[tuple[float, bool]]:
    """Changes of heat by time, with lapsed leases as OFF.

    Rows hold the time of a decision, heat, lease and the last time at which it was repeated [ms].
    """
    changes: list[tuple[float, bool]] = []
    lapses_ms: int | None = None
    for utc_ms, heat, lease_ms, last_ms in [*found, (until_ms, 0, 0, until_ms)]:
        if lapses_ms is not None and lapses_ms < utc_ms:
            changes.append((rows.to_s(lapses_ms), False))
        if utc_ms < until_ms and (not changes or changes[-1][1] != bool(heat)):
            changes.append((rows.to_s(utc_ms), bool(heat)))
        lapses_ms = last_ms + lease_ms if heat else None
    return changes


def _time_of(sample: tuple[float, float]) -> float:
    return sample[0]


def _in_force_at(changes: list[tuple[float, bool]], since_s: float) -> list[tuple[float, bool]]:
    """Changes from the last one at or before ``since_s`` on."""
    before = [index for index, (at_s, _) in enumerate(changes) if at_s <= since_s]
    return changes[before[-1] :] if before else changes

"""A store of years: how large it is, and how quickly it opens, plans and shows its last day.

Started from the root of the checkout, with nothing else running::

    python -m tests.bench.old_store --years 5 --folder build/old-store

The store is made once and kept in the folder. Its decisions are as condensing leaves them; its
readings too with ``--condensed``, otherwise every one is there, which is the worst case.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from controller.cli import main as slabtide
from controller.clock import SystemClock
from controller.configuration import Configuration, load_all
from controller.cycle import Carry, Situation, decide
from controller.planning.planner import make_plan
from controller.records.decision import Decision, HeaterState
from controller.records.errands import PlanErrand
from controller.records.instant import Instant
from controller.records.readings import Condition, Sensed
from controller.records.sessions import Session
from controller.store import open_lasting_writer, open_reader, rows
from controller.store.condensing import COARSE_DAYS, FULL_DAYS, READINGS_DAYS
from controller.store.database import FILE_NAME, connect_writer
from controller.store.transactions import transaction
from tests.bench.speed import median_s

DAY_S = 86_400.0
CONFIG = Path(__file__).parents[2] / "config"
CHANGES_A_DAY = 24
"""Changes of command, reason or verdict on a day of use: one an hour."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the store where it is not there yet, measure and print; the exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.old_store", description=__doc__.partition("\n")[0]
    )
    parser.add_argument("--years", type=float, default=5.0)
    parser.add_argument("--sensors", type=int, default=10, help="each with a reading a minute")
    parser.add_argument("--condensed", action="store_true", help="readings rolled up as well")
    parser.add_argument("--folder", type=Path, default=Path("build/old-store"))
    parser.add_argument("--times", type=int, default=5, help="goes of which the median counts")
    options = parser.parse_args(arguments)
    folder: Path = options.folder.absolute()
    site = folder / "config" / "site.yaml"
    if not site.exists():
        shutil.copytree(CONFIG, folder / "config")
    configuration = load_all(site)
    if not (configuration.store / FILE_NAME).exists():
        began_s = time.perf_counter()
        past = Past(configuration, options.years, options.sensors, condensed=options.condensed)
        past.write()
        print(f"made in {time.perf_counter() - began_s:.0f} s")
    print_size(configuration.store)
    print_times(site, configuration, options.times)
    return 0


class Past:
    """Years of readings and decisions that end now.

    Parameters
    ----------
    configuration : Configuration
    years : float
    sensors : int
        Those of the site come first, made-up ones after them.
    condensed : bool
        Whether old readings are rolled up.
    """

    def __init__(
        self, configuration: Configuration, years: float, sensors: int, *, condensed: bool
    ) -> None:
        self._configuration, self._condensed = configuration, condensed
        self._end_s = SystemClock().now().utc_s // 60.0 * 60.0
        self._start_s = self._end_s - years * 365.25 * DAY_S
        site = configuration.site
        self._sensors = [sensor.id for sensor in site.sensors][:sensors]
        self._sensors += [f"more-{k}" for k in range(sensors - len(self._sensors))]
        self._sample = self._decision()

    def write(self) -> None:
        """Make the store; readings by SQL, in the order of their key."""
        with closing(connect_writer(self._configuration.store)) as connection:
            connection.execute("PRAGMA journal_mode = OFF")  # made anew where it is broken off
            connection.execute("PRAGMA synchronous = OFF")
            with transaction(connection):
                for key, sensor in enumerate(self._sensors, start=1):
                    connection.execute("INSERT INTO sensor VALUES (?, ?)", (key, sensor))
                    self._write_readings(connection, key)
            with transaction(connection):
                self._write_decisions(connection)

    def _write_readings(self, connection: sqlite3.Connection, key: int) -> None:
        rolled_until_s = self._end_s - READINGS_DAYS * DAY_S if self._condensed else self._start_s
        rolled_until_s = max(self._start_s, rolled_until_s // DAY_S * DAY_S)
        value = "12.0 + ms / 60000 % 613 / 100.0"
        connection.execute(
            "WITH RECURSIVE span (ms) AS (SELECT ?2 UNION ALL SELECT ms + 900000 FROM span "
            f"WHERE ms + 900000 < ?3) INSERT INTO rolled SELECT ?1, ms, {value}, {value} - 0.1, "
            f"{value} + 0.1, 15, 0 FROM span WHERE ms < ?3",
            (key, rows.to_ms(self._start_s // 900.0 * 900.0), rows.to_ms(rolled_until_s)),
        )
        connection.execute(
            "WITH RECURSIVE span (ms) AS (SELECT ?2 UNION ALL SELECT ms + 60000 FROM span "
            f"WHERE ms < ?3) INSERT INTO reading SELECT ?1, ms, 0, 250, {value}, 0 FROM span",
            (key, rows.to_ms(rolled_until_s), rows.to_ms(self._end_s)),
        )

    def _write_decisions(self, connection: sqlite3.Connection) -> None:
        values = rows.decision_row(self._sample)
        marks = ", ".join("?" * len(values))
        question = f"INSERT INTO decision (id, {rows.DECISION_COLUMNS}) VALUES (?, {marks})"
        for number, (at_s, until_s) in enumerate(self._spans(), start=1):
            heat = int(at_s // 3600.0) % 4 == 0
            row = (rows.to_ms(at_s), *values[1:5], heat, number, *values[7:])
            connection.execute(question, (number, *row))
            if until_s > at_s:
                count = round((until_s - at_s) / 60.0)
                folded = (number, rows.to_ms(until_s), count)
                connection.execute("INSERT INTO folded VALUES (?, ?, ?)", folded)
        heater = self._configuration.site.heaters[0].id
        state = rows.to_json(HeaterState(sequence=number))
        connection.execute("INSERT INTO heater_state VALUES (?, ?)", (heater, state))

    def _spans(self) -> Iterator[tuple[float, float]]:
        """Each kept decision's time, and until when it stands for others."""
        at_s = self._start_s
        change_s = DAY_S / CHANGES_A_DAY
        while at_s <= self._end_s:
            age_days = (self._end_s - at_s) / DAY_S
            step_s = 60.0 if age_days < FULL_DAYS else 900.0
            if age_days >= COARSE_DAYS:
                step_s = change_s
            yield at_s, at_s + step_s - 60.0
            at_s += step_s

    def _decision(self) -> Decision:
        """One real decision with every sensor in it: its size is what counts."""
        site = self._configuration.site
        heater = site.heaters[0]
        sensed = tuple(
            Sensed(sensor.id, sensor.role, sensor.subject, Condition.FRESH, 12.34, 3.25)
            for sensor in site.sensors_of(heater)
        )
        now = Instant(self._start_s, 0.0)
        situation = Situation(
            now=now,
            heater=heater,
            zones=site.zones_of(heater),
            limits=self._configuration.limits,
            sensed=sensed + sensed[: max(0, len(self._sensors) - len(sensed))],
            sessions=(),
            plan=None,
            parameter_sets={},
        )
        decision, _ = decide(situation, Carry.at_start(None, now))
        named = replace(decision.wish, session="saturday@2026-11-28", plan="boiler-1796000000")
        return replace(decision, wish=named)


def print_size(store: Path) -> None:
    """Rows and megabytes of each table, and the whole."""
    with closing(sqlite3.connect(f"file:{store / FILE_NAME}?mode=ro", uri=True)) as raw:
        for table in ("reading", "rolled", "decision"):
            (count,) = raw.execute(f"SELECT count(*) FROM {table}").fetchone()
            print(f"{table:10} {count:12,} rows")
        columns = [row[1] for row in raw.execute("PRAGMA table_info(decision)")]
        length = " + ".join(f"length(coalesce({column}, ''))" for column in columns)
        found = raw.execute(f"SELECT avg({length}) FROM (SELECT * FROM decision LIMIT 100)")
        print(f"a decision {found.fetchone()[0]:12,.0f} bytes")
    print(f"file       {(store / FILE_NAME).stat().st_size / 1e6:12,.0f} MB", flush=True)


def print_times(site: Path, configuration: Configuration, times: int) -> None:
    """How long opening, planning and looking back take."""
    store = configuration.store

    def shown(*arguments: str) -> Callable[[], None]:
        def run() -> None:
            with contextlib.redirect_stdout(io.StringIO()) as out:
                code = slabtide([arguments[0], "--site", str(site), *arguments[1:]])
            if code != 0 or not out.getvalue():
                sys.exit(f"slabtide {arguments} gave {code} and {out.getvalue()!r}")

        return run

    works: dict[str, Callable[[], object]] = {
        "open for the service": lambda: open_lasting_writer(store).close(),
        "open for reading": lambda: open_reader(store).close(),
        "plan of two days": lambda: _plan(configuration),
        "slabtide log --since -24h": shown("log", "--since", "-24h"),
        "slabtide log --all --since -24h": shown("log", "--all", "--since", "-24h"),
        "slabtide why": shown("why"),
        "slabtide why, two months ago": shown("why", "-1440h"),
        "sixty days of one sensor": lambda: _history(store, configuration, 60.0),
        "sixty days of the command": lambda: _heating(store, configuration, 60.0),
        "one step of condensing": lambda: _condense(store),
    }
    for name, work in works.items():
        cpu_s = process_s(work)
        print(f"{name:34} {median_s(work, times):7.3f} s ({cpu_s:.3f} s of work)", flush=True)
    command = [sys.executable, "-m", "controller", "why", "--site", str(site)]
    whole = median_s(lambda: subprocess.run(command, capture_output=True, check=True), times)
    print(f"{'slabtide why, the whole process':34} {whole:7.3f} s")


def process_s(work: Callable[[], object]) -> float:
    """Time that the processor spends on it [s], after a go that does not count."""
    work()
    began_s = time.process_time()
    work()
    return time.process_time() - began_s


def _plan(configuration: Configuration) -> None:
    site, now_s = configuration.site, SystemClock().now().utc_s
    session = Session("soon", site.zones[0].id, now_s + 80_000.0, now_s + 95_000.0, 18.0)
    with closing(open_reader(configuration.store)) as reader:
        last = reader.last_decision(site.heaters[0].id)
        assert last is not None
        errand = PlanErrand(
            site=site,
            limits=configuration.limits,
            heater=site.heaters[0].id,
            sessions=(session,),
            parameter_sets=(),
            heating=False,
            now_s=last.at.utc_s + 30.0,
        )
        plan = make_plan(errand, reader)
    assert json.dumps(plan.id)


def _history(store: Path, configuration: Configuration, days: float) -> None:
    now_s = SystemClock().now().utc_s
    with closing(open_reader(store)) as reader:
        reader.samples(configuration.site.sensors[0].id, now_s - days * DAY_S, now_s)


def _heating(store: Path, configuration: Configuration, days: float) -> None:
    now_s = SystemClock().now().utc_s
    with closing(open_reader(store)) as reader:
        reader.heating(configuration.site.heaters[0].id, now_s - days * DAY_S, now_s)


def _condense(store: Path) -> None:
    with closing(open_lasting_writer(store)) as writer:
        writer.condense(SystemClock().now().utc_s)


if __name__ == "__main__":
    sys.exit(main())

"""A store last written by any earlier version is carried over with all that it held."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from controller.records.decision import Decision, HeaterState, Readback
from controller.records.readings import Rejection
from controller.store import StoreUnsuitable, migrations, open_reader, open_writer, rows
from controller.store.transactions import transaction
from tests.controller.store.crash import is_whole

KNOWN = len(migrations.MIGRATIONS)
AT_S = 1_764_000_000.0
STATE = HeaterState(sequence=7, issued_s=AT_S, latched=frozenset({"slab_over_temperature"}))


def make_older(folder: Path, version: int, decision: Decision) -> None:
    """A file as the first ``version`` steps made it, with a row in each table of its time.

    Rows are written without the code of today, as far as that could change with a later step.
    """
    folder.mkdir(mode=0o700)
    with closing(sqlite3.connect(folder / "slabtide.db", isolation_level=None)) as raw:
        raw.execute("PRAGMA journal_mode = WAL")
        with transaction(raw):
            for step in migrations.MIGRATIONS[:version]:
                step(raw)
            raw.execute(f"PRAGMA user_version = {version:d}")
        if version >= 1:
            raw.execute("INSERT INTO sensor VALUES (1, 'bay-air')")
            raw.execute("INSERT INTO reading VALUES (1, ?, 0, 250, 12.5, 0)", (AT_S * 1000,))
            day = int(AT_S // 86400)
            values = ("not_a_number", day, 3, int(AT_S * 1000), "unavailable")
            raw.execute("INSERT INTO rejection VALUES (1, ?, ?, ?, ?, ?)", values)
        if version >= 2:
            columns = (
                "utc_ms, mono_ms, heater, zones, version, heat, sequence, issued_ms, lease_ms, "
                "wanted, rung, reason, session, plan, deciding_rule, deciding_severity, "
                "deciding_reason, deciding, sensed, estimates, verdicts, notices"
            )
            marks = ", ".join("?" * 22)
            row = rows.decision_row(decision)[:22]  # later columns have come later
            raw.execute(f"INSERT INTO decision ({columns}) VALUES ({marks})", row)
        if version >= 3:
            raw.execute("INSERT INTO readback VALUES ('boiler', 1, ?, 1, 1)", (AT_S * 1000,))
            state = '{"sequence":7,"issued_s":1764000000.0,"latched":["slab_over_temperature"]}'
            raw.execute("INSERT INTO heater_state VALUES ('boiler', ?)", (state,))
        if version >= 4:
            raw.execute("INSERT INTO configuration VALUES (1, 'site.yaml', 0, 'id: x')")
        if version >= 5:
            points = '{"at_s":[1764003600.0],"outdoor_c":[-1.5]}'
            raw.execute("INSERT INTO forecast VALUES (1, ?, ?)", (AT_S * 1000, points))


@pytest.mark.parametrize("version", range(1, KNOWN))
def test_nothing_is_lost_from_an_older_store(
    folder: Path, decide: Callable[..., Decision], version: int
) -> None:
    """Every row of an older file is read back by this version, and the file is whole."""
    decision = decide(AT_S)
    make_older(folder, version, decision)
    with pytest.raises(StoreUnsuitable, match="older"):
        open_reader(folder)
    with closing(open_writer(folder)) as writer, closing(open_reader(folder)) as reader:
        assert reader.samples("bay-air", 0.0, 1e11) == [(AT_S, 12.5)]
        assert [(r.reason, r.count) for r in reader.rejections()] == [(Rejection.NOT_A_NUMBER, 3)]
        assert reader.decisions(0.0, 1e11) == ([decision] if version >= 2 else [])
        assert reader.heating("boiler", 0.0, 1e11)[:1] == ([(AT_S, True)] if version >= 2 else [])
        said = reader.readback("boiler", 1)
        assert said == (Readback(1, AT_S, True, True) if version >= 3 else None)
        assert writer.state("boiler") == (STATE if version >= 3 else None)
        assert len(reader.forecasts(0.0, 1e11)) == (1 if version >= 5 else 0)
        writer.add_decision(decide(AT_S + 60.0, sequence=8), HeaterState(sequence=8))
        assert writer.last_sequence("boiler") == 8
    assert is_whole(folder)


@pytest.mark.parametrize("version", range(1, KNOWN))
def test_an_older_store_has_the_schema_of_a_new_one(
    folder: Path, decide: Callable[..., Decision], version: int
) -> None:
    """Tables and indices are the same to the letter, whichever version made the file."""

    def schema(of: Path) -> set[tuple[str, str, str]]:
        with closing(sqlite3.connect(of / "slabtide.db")) as raw:
            return set(raw.execute("SELECT type, name, sql FROM sqlite_schema"))

    make_older(folder, version, decide(AT_S))
    fresh = folder.parent / "fresh"
    open_writer(folder).close()
    open_writer(fresh).close()
    assert schema(folder) == schema(fresh)

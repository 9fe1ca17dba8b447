"""A store is brought up to date step by step, each whole or not at all."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from controller.records.decision import Decision, HeaterState
from controller.store import StoreFailed, StoreMissing, migrations, open_reader, open_writer


@pytest.fixture
def connection(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    """An empty database file at version 0."""
    with closing(sqlite3.connect(tmp_path / "x.db", isolation_level=None)) as opened:
        yield opened


def tables(connection: sqlite3.Connection) -> set[str]:
    return {row[0] for row in connection.execute("SELECT name FROM sqlite_schema")}


def test_every_version_reaches_the_same_schema(
    connection: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One step at a time from version 0 ends where all steps at once end."""
    steps = migrations.MIGRATIONS
    for count in range(1, len(steps) + 1):
        monkeypatch.setattr(migrations, "MIGRATIONS", steps[:count])
        migrations.migrate(connection)
        assert migrations.version(connection) == count
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as at_once:
        migrations.migrate(at_once)
        assert tables(at_once) == tables(connection)
        assert {"reading", "decision", "plan", "configuration"} <= tables(at_once)


def test_a_step_that_fails_leaves_the_version_before(
    connection: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a failing step did is undone, and the next try begins with it again."""

    def half_done(opened: sqlite3.Connection) -> None:
        opened.execute("CREATE TABLE half (x)")
        opened.execute("no such statement")

    migrations.migrate(connection)
    known = len(migrations.MIGRATIONS)
    before = tables(connection)
    monkeypatch.setattr(migrations, "MIGRATIONS", (*migrations.MIGRATIONS, half_done))
    with pytest.raises(sqlite3.OperationalError):
        migrations.migrate(connection)
    assert migrations.version(connection) == known
    assert tables(connection) == before


def test_opening_an_older_store_keeps_its_rows(
    folder: Path, decide: Callable[..., Decision], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A store of this version is carried into a later one with all that it held."""
    with closing(open_writer(folder)) as writer:
        writer.add_decision(decide(100.0), HeaterState())

    def add_note(opened: sqlite3.Connection) -> None:
        opened.execute("CREATE TABLE note (text TEXT)")

    monkeypatch.setattr(migrations, "MIGRATIONS", (*migrations.MIGRATIONS, add_note))
    with pytest.raises(StoreFailed, match="older"):
        open_reader(folder)
    open_writer(folder).close()
    with closing(open_reader(folder)) as reader:
        assert reader.last_decision("boiler") == decide(100.0)


def test_a_newer_store_is_left_alone(folder: Path) -> None:
    """Neither side opens a store whose schema it does not know."""
    open_writer(folder).close()
    with closing(sqlite3.connect(folder / "slabtide.db")) as raw:
        raw.execute("PRAGMA user_version = 99")
    with pytest.raises(StoreFailed, match="newer"):
        open_writer(folder)
    with pytest.raises(StoreFailed, match="newer"):
        open_reader(folder)


def test_a_store_before_its_first_step_counts_as_missing(folder: Path) -> None:
    """A reader that comes while the writer is still making the store is told so."""
    folder.mkdir()
    (folder / "slabtide.db").touch()
    with pytest.raises(StoreMissing):
        open_reader(folder)

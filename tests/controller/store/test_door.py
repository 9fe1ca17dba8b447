"""A store that fails: what passes is waited for, what is damaged is set aside, nothing deleted."""

from __future__ import annotations

import random
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from controller.records.decision import Decision, HeaterState
from controller.store import (
    StoreDamaged,
    StoreFailed,
    StoreUnsuitable,
    Writer,
    open_lasting_writer,
    open_reader,
    open_writer,
    patience,
    soundness,
)
from tests.controller.store.crash import is_whole, sequences

MakeDecision = Callable[..., Decision]
FILE = "slabtide.db"


def fill(folder: Path, decide: MakeDecision, *, count: int = 40) -> None:
    """A store of several pages of decisions, closed."""
    with closing(open_writer(folder)) as writer:
        for number in range(1, count + 1):
            writer.add_decision(decide(60.0 * number, sequence=number), HeaterState(number))


def rubbish(path: Path) -> None:
    path.write_bytes(b"this is no database at all " * 400)


def zeroed_head(path: Path) -> None:
    path.write_bytes(bytes(4096) + path.read_bytes()[4096:])


def scrambled(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[4096:] = random.Random(3).randbytes(len(content) - 4096)
    path.write_bytes(content)


def cut_in_half(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2 // 4096 * 4096])


def without_a_table(path: Path) -> None:
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("DROP TABLE decision")
        raw.commit()


DAMAGES = (rubbish, zeroed_head, scrambled, cut_in_half, without_a_table)


@contextmanager
def locked(folder: Path, *, exclusively: bool = False) -> Iterator[None]:
    """Another program holds the store: its write lock, or all of it."""
    with closing(sqlite3.connect(folder / FILE, isolation_level=None)) as other:
        if exclusively:
            other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("BEGIN IMMEDIATE")
        other.execute("CREATE TABLE held (x)")
        yield
        if other.in_transaction:
            other.execute("ROLLBACK")


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_store_is_set_aside_and_a_new_one_made(
    folder: Path, decide: MakeDecision, damage: Callable[[Path], None]
) -> None:
    """The service's writer writes at once; the damaged file lies aside, named by UTC time."""
    fill(folder, decide)
    damage(folder / FILE)
    content = (folder / FILE).read_bytes()
    with closing(open_lasting_writer(folder)) as writer:
        writer.add_decision(decide(1e6, sequence=9), HeaterState(9))
        assert writer.state("boiler") == HeaterState(9)
        assert writer.notices() == ()
    (aside,) = folder.glob("slabtide-damaged-????????T??????Z.db")
    if damage is not without_a_table:  # closing the one who dropped it wrote the file
        assert aside.read_bytes() == content
    assert is_whole(folder)
    assert sequences(folder) == [9]


@pytest.mark.parametrize("damage", DAMAGES)
def test_of_a_large_store_the_ends_and_the_vital_tables_are_looked_at(
    folder: Path,
    decide: MakeDecision,
    monkeypatch: pytest.MonkeyPatch,
    damage: Callable[[Path], None],
) -> None:
    """A start must not take long; damage of this size is found all the same."""
    monkeypatch.setattr(soundness, "LOOK_BYTES", 0)
    fill(folder, decide)
    open_lasting_writer(folder).close()
    assert not list(folder.glob("slabtide-damaged-*"))
    damage(folder / FILE)
    open_lasting_writer(folder).close()
    assert list(folder.glob("slabtide-damaged-*"))


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_command_leaves_a_damaged_store_where_it_is(
    folder: Path, decide: MakeDecision, damage: Callable[[Path], None]
) -> None:
    """Only the service sets anything aside; a command that writes says what is wrong."""
    fill(folder, decide)
    damage(folder / FILE)

    def write() -> None:
        with closing(open_writer(folder)) as writer:
            writer.add_decision(decide(1e6), HeaterState())

    with pytest.raises(StoreDamaged):
        write()
    assert not list(folder.glob("slabtide-damaged-*"))


def test_two_damaged_stores_of_one_second_keep_their_names(
    folder: Path, decide: MakeDecision
) -> None:
    """The second takes nothing's place."""
    for _ in range(3):
        fill(folder, decide, count=1)
        rubbish(folder / FILE)
        open_lasting_writer(folder).close()
    assert len(list(folder.glob("slabtide-damaged-*.db"))) == 3


def test_damage_that_shows_while_running_costs_one_call(folder: Path, decide: MakeDecision) -> None:
    """That call fails, the next one writes into a new store, the old one lies aside."""
    fill(folder, decide)
    with closing(open_lasting_writer(folder)) as writer:
        generation = writer.generation
        scrambled(folder / FILE)
        writer._connection.execute("PRAGMA shrink_memory")  # no page from its cache
        with pytest.raises(StoreDamaged):
            writer.add_decision(decide(1e6, sequence=199), HeaterState(199))
        assert writer.notices()[0].alarm
        writer.add_decision(decide(1e6, sequence=200), HeaterState(200))
        assert writer.notices() == ()
        assert writer.generation == generation + 1
    assert sequences(folder) == [200]
    assert list(folder.glob("slabtide-damaged-*.db"))


def test_a_store_removed_while_running_is_made_again(folder: Path, decide: MakeDecision) -> None:
    """No decision is acknowledged into a file that no longer has a name."""
    fill(folder, decide, count=3)
    with closing(open_lasting_writer(folder)) as writer:
        shutil.move(folder / FILE, folder / "elsewhere.db")
        writer.add_decision(decide(1e6, sequence=9), HeaterState(9))
        assert sequences(folder) == [9]
        with closing(open_reader(folder)) as reader:
            assert reader.last_decision("boiler") is not None


def test_a_log_without_its_store_is_no_new_stores_log(folder: Path, decide: MakeDecision) -> None:
    """What a power cut between two renamings leaves behind is set aside, not dropped."""
    fill(folder, decide, count=1)
    (folder / FILE).unlink()
    (folder / f"{FILE}-wal").write_bytes(b"left over")
    with closing(open_lasting_writer(folder)):
        (aside,) = folder.glob("slabtide-orphaned-*.db-wal")
        assert aside.read_bytes() == b"left over"


def test_a_newer_store_is_not_set_aside(folder: Path, decide: MakeDecision) -> None:
    """The service must not begin anew beside a good store: it ends, with the reason."""
    fill(folder, decide, count=1)
    with closing(sqlite3.connect(folder / FILE)) as raw:
        raw.execute("PRAGMA user_version = 99")
    with pytest.raises(StoreUnsuitable, match="newer"):
        open_lasting_writer(folder)
    assert not list(folder.glob("slabtide-damaged-*"))


@pytest.mark.parametrize("exclusively", [False, True])
def test_a_store_locked_at_the_start_is_waited_for(
    folder: Path, decide: MakeDecision, monkeypatch: pytest.MonkeyPatch, exclusively: bool
) -> None:
    """The writer is there, its calls fail until the lock is gone, and then they work."""
    monkeypatch.setattr(patience, "ALLOWED_S", 0.2)
    fill(folder, decide, count=2)
    with locked(folder, exclusively=exclusively):
        writer = open_lasting_writer(folder)
        with pytest.raises(StoreFailed, match="locked"):
            writer.add_decision(decide(1e6, sequence=3), HeaterState(3))
        assert writer.notices()[0].alarm
        assert "locked" in writer.notices()[0].text
    with closing(writer):
        writer.add_decision(decide(1e6, sequence=4), HeaterState(4))
        assert writer.notices() == ()
    assert sequences(folder) == [1, 2, 4]


def test_a_lock_costs_a_tick_no_more_than_two_seconds(folder: Path, decide: MakeDecision) -> None:
    """However many heaters there are: the calls of one tick share one allowance of waiting."""
    fill(folder, decide, count=1)
    with closing(open_lasting_writer(folder)) as writer, locked(folder):
        began_s = time.monotonic()
        for number in range(24):
            with pytest.raises(StoreFailed, match="locked"):
                writer.add_decision(decide(1e6, heater=f"heater-{number}"), HeaterState())
        assert time.monotonic() - began_s < patience.ALLOWED_S + 1.5


# --- lockouts -----------------------------------------------------------------------------------

LATCHED = frozenset({"slab_over_temperature", "relay_read_back"})


def test_a_lockout_outlives_its_store(folder: Path, decide: MakeDecision) -> None:
    """With the store damaged and set aside, the mark beside it still names the rules."""
    with closing(open_writer(folder)) as writer:
        writer.add_decision(decide(60.0), HeaterState(latched=LATCHED))
    rubbish(folder / FILE)
    with closing(open_lasting_writer(folder)) as writer:
        assert writer.state("boiler") is None
        assert writer.lockouts("boiler") == LATCHED
        assert writer.lockouts("kiln") == frozenset()


def test_the_mark_comes_before_the_row_and_goes_after_it(
    folder: Path, decide: MakeDecision, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A store that fails in between leaves the lockout in force, both ways."""

    def fails(self: Writer, heater: str, state: HeaterState) -> None:
        raise sqlite3.OperationalError("disk full")

    with closing(open_writer(folder)) as writer:
        with monkeypatch.context() as failing:
            failing.setattr(Writer, "_keep_state", fails)
            with pytest.raises(StoreFailed):
                writer.add_decision(decide(60.0), HeaterState(latched=LATCHED))
        assert writer.lockouts("boiler") == LATCHED
        writer.add_decision(decide(120.0), HeaterState(latched=LATCHED))
        with monkeypatch.context() as failing:
            failing.setattr(Writer, "_keep_state", fails)
            with pytest.raises(StoreFailed):
                writer.add_decision(decide(180.0), HeaterState())
        assert writer.lockouts("boiler") == LATCHED
        writer.add_decision(decide(240.0), HeaterState())
        assert writer.lockouts("boiler") == frozenset()


def test_a_mark_that_cannot_be_read_is_a_lockout(folder: Path, decide: MakeDecision) -> None:
    """That the file is there is enough."""
    with closing(open_writer(folder)) as writer:
        writer.add_decision(decide(60.0), HeaterState(latched=LATCHED))
        (folder / "lockouts" / "boiler.json").write_bytes(b"\0\0")
        assert writer.lockouts("boiler") == {"a rule whose name was lost"}

"""What goes into the store comes out of it, and its file is private."""

from __future__ import annotations

import sqlite3
import stat
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from controller.records.decision import Decision, HeaterState, Readback
from controller.records.plan import (
    Arrival,
    Block,
    BlockReason,
    ParameterSet,
    ParameterSource,
    Plan,
    Point,
    Value,
    ZoneOutlook,
)
from controller.records.readings import Quality, Reading, Rejection, RejectionCount
from controller.records.safety import Severity, Verdict
from controller.records.sessions import Session
from controller.store import Reader, StoreFailed, StoreMissing, Writer, open_reader, open_writer
from controller.store.forecast_thinning import DROPPED_AT_ONCE
from controller.store.writer import POINTS_KEPT_S

MakeReading = Callable[..., Reading]
MakeDecision = Callable[..., Decision]

STATE = HeaterState(
    sequence=7,
    issued_s=1000.125,
    heating=True,
    latched=frozenset({"slab_over_temperature"}),
    memories={"frost_protection": {"spent_s": 60.0, "window_s": 1800.0}},
)


def test_folder_and_files_belong_to_their_user_alone(
    folder: Path, writer: Writer, decide: MakeDecision
) -> None:
    """The folder has mode 0700, every file in it 0600, SQLite's side files included."""
    writer.add_decision(decide(1000.0), STATE)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()}
    assert modes.pop("lockouts") == 0o700
    assert stat.S_IMODE((folder / "lockouts" / "boiler.json").stat().st_mode) == 0o600
    assert modes == {
        "slabtide.db": 0o600,
        "slabtide.db-wal": 0o600,
        "slabtide.db-shm": 0o600,
    }


def test_commits_wait_for_the_disk(writer: Writer) -> None:
    """The writer's connection is in write-ahead mode with full synchronisation."""
    pragma = writer._connection.execute
    assert pragma("PRAGMA journal_mode").fetchone() == ("wal",)
    assert pragma("PRAGMA synchronous").fetchone() == (2,)
    assert pragma("PRAGMA busy_timeout").fetchone()[0] > 0


def test_good_samples_come_back_by_time(
    writer: Writer, reader: Reader, reading: MakeReading
) -> None:
    """samples() gives the good readings of one sensor in [since, until), to the millisecond."""
    writer.add_readings(
        [
            reading(300.0, 3.0),
            reading(100.001, 1.0),
            reading(200.0, 2.0, quality=Quality.IMPLAUSIBLE),
            reading(250.0, 2.5, quality=Quality.UNKNOWN_AGE),
            reading(400.0, 4.0),
            reading(150.0, 99.0, sensor="bay-slab"),
        ]
    )
    assert reader.samples("bay-air", 100.001, 400.0) == [(100.001, 1.0), (300.0, 3.0)]
    assert reader.samples("never-heard-of", 0.0, 1e9) == []


def test_clock_set_back_loses_no_reading(
    writer: Writer, reader: Reader, reading: MakeReading
) -> None:
    """Two readings of one time and two sequence numbers are both kept."""
    writer.add_readings([reading(100.0, 1.0, sequence=1), reading(100.0, 2.0, sequence=2)])
    assert reader.samples("bay-air", 0.0, 200.0) == [(100.0, 1.0), (100.0, 2.0)]


def test_same_key_after_a_restart_loses_no_reading(
    writer: Writer, reader: Reader, reading: MakeReading
) -> None:
    """A different value under a taken key is kept; the same reading again is stored once."""
    for value in (1.0, 2.0, 1.0, 2.0):
        writer.add_readings([reading(100.0, value, sequence=0)])
    assert reader.samples("bay-air", 0.0, 200.0) == [(100.0, 1.0), (100.0, 2.0)]


def test_decision_comes_back_whole(writer: Writer, reader: Reader, decide: MakeDecision) -> None:
    """Every field of a decision survives, and its state with it."""
    decision = decide(1000.25)
    writer.add_decision(decision, STATE)
    assert reader.last_decision("boiler") == decision
    assert writer.state("boiler") == STATE
    assert writer.last_sequence("boiler") == decision.command.sequence
    assert reader.last_decision("kiln") is None
    assert writer.state("kiln") is None
    assert writer.last_sequence("kiln") == 0


def test_non_finite_numbers_in_a_decision_survive(
    writer: Writer, reader: Reader, decide: MakeDecision
) -> None:
    """A lead time without end in a verdict's values keeps no decision from being written."""
    decision = decide(1000.0)
    deciding = replace(decision.verdicts[0], values={"lead_s": float("inf")})
    decision = replace(decision, deciding=deciding, verdicts=(deciding,))
    writer.add_decision(decision, STATE)
    assert reader.last_decision("boiler") == decision


def test_decisions_by_time_zone_and_heater(
    writer: Writer, reader: Reader, decide: MakeDecision
) -> None:
    """decisions() is newest last, within [since, until), of one heater or zone if given."""
    for utc_s, heater, zones in (
        (100.0, "boiler", ("boat-bay", "loft")),
        (300.0, "kiln", ("loft",)),
        (200.0, "boiler", ("boat-bay",)),
        (400.0, "boiler", ("boat-bay",)),
    ):
        writer.add_decision(decide(utc_s, heater=heater, zones=zones), STATE)
    times = lambda found: [d.at.utc_s for d in found]  # noqa: E731
    assert times(reader.decisions(100.0, 400.0)) == [100.0, 200.0, 300.0]
    assert times(reader.decisions(0.0, 1e9, zone="loft")) == [100.0, 300.0]
    assert times(reader.decisions(0.0, 1e9, heater="boiler")) == [100.0, 200.0, 400.0]
    assert times(reader.decisions(0.0, 1e9, heater="boiler", zone="loft")) == [100.0]


def test_decision_at_a_moment(writer: Writer, reader: Reader, decide: MakeDecision) -> None:
    """decision_at() is the last at or before; last_decision() the one written last."""
    writer.add_decision(decide(100.0, sequence=1), STATE)
    writer.add_decision(decide(200.0, heater="kiln"), STATE)
    writer.add_decision(decide(50.0, sequence=2), STATE)  # the clock was set back
    at = reader.decision_at(200.0)
    assert at is not None
    assert at.heater == "kiln"
    older = reader.decision_at(199.999, "boiler")
    assert older is not None
    assert older.at.utc_s == 100.0
    assert reader.decision_at(49.0) is None
    last = reader.last_decision("boiler")
    assert last is not None
    assert last.command.sequence == 2


def test_readback_belongs_to_the_command_and_its_renewals(writer: Writer, reader: Reader) -> None:
    """A sequence number finds its own answer or the last before it; the latest answer stays."""
    writer.add_readback("boiler", Readback(5, 100.0, heat=None, agrees=None))
    writer.add_readback("boiler", Readback(5, 101.5, heat=True, agrees=True))
    writer.add_readback("boiler", Readback(9, 200.0, heat=True, agrees=False))
    assert reader.readback("boiler", 5) == Readback(5, 101.5, heat=True, agrees=True)
    assert reader.readback("boiler", 8) == Readback(5, 101.5, heat=True, agrees=True)
    assert reader.readback("boiler", 9) == Readback(9, 200.0, heat=True, agrees=False)
    assert reader.readback("boiler", 4) is None
    assert reader.readback("kiln", 5) is None


def plan(plan_id: str, made_s: float) -> Plan:
    outlook = ZoneOutlook(
        "boat-bay",
        "bay-1",
        (Point(made_s, 5.0, 4.5, 5.5), Point(made_s + 900.0, 5.2, 4.6, 5.8)),
        (Arrival("sat@2026-11-28", 20.0, 18.0, 17.0, 19.0, reachable=False, reached_s=9e5),),
    )
    return Plan(
        id=plan_id,
        heater="boiler",
        made_s=made_s,
        until_s=made_s + 172_800.0,
        blocks=(Block(made_s, made_s + 900.0, True, BlockReason.PREHEAT, "sat@2026-11-28"),),
        outlooks=(outlook,),
        sessions=(Session("sat@2026-11-28", "boat-bay", 8e5, 9e5, 20.0),),
    )


def test_plans_come_back(writer: Writer, reader: Reader) -> None:
    """A plan comes back whole by id and as the latest, and without points where wished."""
    writer.add_plan(plan("a", 1000.0))
    writer.add_plan(plan("b", 2000.0))
    assert reader.latest_plan("boiler") == writer.latest_plan("boiler") == plan("b", 2000.0)
    assert reader.plan("a") == plan("a", 1000.0)
    bare = reader.plan("a", points=False)
    assert bare is not None
    assert bare.outlooks[0].points == ()
    assert bare.outlooks[0].arrivals == plan("a", 1000.0).outlooks[0].arrivals
    assert reader.plan("z") is None
    assert reader.latest_plan("kiln") is None


def test_promises_are_those_of_the_last_plan_before(writer: Writer, reader: Reader) -> None:
    """Of two plans the later counts from its making on; other heaters and sessions have none."""
    writer.add_plan(plan("a", 1000.0))
    writer.add_plan(plan("b", 2000.0))
    (arrival,) = plan("b", 2000.0).outlooks[0].arrivals
    assert reader.promised("boiler", arrival.session, 2500.0) == arrival
    assert reader.promised("boiler", arrival.session, 999.0) is None
    assert reader.promised("boiler", "another", 2500.0) is None
    assert reader.promised("kiln", arrival.session, 2500.0) is None


def test_old_plans_keep_blocks_and_arrivals_only(writer: Writer, reader: Reader) -> None:
    """Storing a plan drops the points of those older than the time they are kept."""
    writer.add_plan(plan("old", 0.0))
    writer.add_plan(plan("recent", 1.0))
    writer.add_plan(plan("new", POINTS_KEPT_S + 1.0))
    old, recent = reader.plan("old"), reader.plan("recent")
    assert old is not None
    assert old.outlooks[0].points == ()
    assert old.blocks == plan("old", 0.0).blocks
    assert recent == plan("recent", 1.0)


def test_a_clock_that_was_ahead_costs_little(writer: Writer, reader: Reader) -> None:
    """A plan made in a far future is the latest until the next; a few plans lose their points."""
    for number in range(10):
        writer.add_plan(plan(f"{number}", float(number)))
    writer.add_plan(plan("future", 1e9))
    assert writer.latest_plan("boiler") == plan("future", 1e9)
    writer.add_plan(plan("present", 10.0))
    assert writer.latest_plan("boiler") == reader.latest_plan("boiler") == plan("present", 10.0)
    kept = [reader.plan(f"{number}") == plan(f"{number}", float(number)) for number in range(10)]
    assert kept.count(False) == DROPPED_AT_ONCE


def test_parameters_come_back_newest_last(writer: Writer, reader: Reader) -> None:
    """All sets of a zone are kept; the latest is in force."""

    def made(set_id: str, made_s: float) -> ParameterSet:
        values = {"time_constant_s": Value(180_000.0, 9000.0)}
        source = ParameterSource.HISTORY
        return ParameterSet(
            set_id, "boat-bay", "first_order", source, made_s, values, 0.0, made_s, {"24": 0.5}
        )

    for parameters in (made("x", 100.0), made("z", 200.0), made("y", 300.0)):
        writer.add_parameters(parameters)
    assert [p.id for p in reader.parameters("boat-bay")] == ["x", "z", "y"]
    assert reader.latest_parameters("boat-bay") == made("y", 300.0)
    assert writer.latest_parameters("boat-bay") == made("y", 300.0)
    writer.add_parameters(made("x", 50.0))  # again, with the clock set back
    assert writer.latest_parameters("boat-bay") == made("x", 50.0)
    assert reader.latest_parameters("loft") is None


def test_rejections_add_up_by_day(writer: Writer, reader: Reader) -> None:
    """Counts add up, the latest example stays, and a day (UTC) can be asked for."""
    day_s = 86_400.0

    def seen(count: int, last_s: float, example: str) -> RejectionCount:
        return RejectionCount("bay-air", Rejection.NOT_A_NUMBER, count, last_s, example)

    writer.count_rejections([seen(2, 10.0, "unavailable")])
    writer.count_rejections([seen(3, 20.0, "off"), seen(4, day_s + 5.0, "n/a")])
    assert reader.rejections() == [seen(9, day_s + 5.0, "n/a")]
    assert reader.rejections(since_s=day_s) == [seen(4, day_s + 5.0, "n/a")]


def test_configuration_text_is_kept_when_it_changes(writer: Writer) -> None:
    """The same text again makes no row; going back to an older one does."""
    for loaded_s, text in ((1.0, "a"), (2.0, "a"), (3.0, "b"), (4.0, "a")):
        writer.keep_configuration("bookings.yaml", text, loaded_s)
    writer.keep_configuration("site.yaml", "a", 5.0)
    rows = writer._connection.execute("SELECT name, loaded_ms, text FROM configuration")
    assert rows.fetchall() == [
        ("bookings.yaml", 1000, "a"),
        ("bookings.yaml", 3000, "b"),
        ("bookings.yaml", 4000, "a"),
        ("site.yaml", 5000, "a"),
    ]


def test_a_lockout_is_told_from_the_decisions_too(writer: Writer, decide: MakeDecision) -> None:
    """The last decision tells it, whatever the service said of its own stop after that."""
    locked = Verdict("lockout", Severity.LOCKOUT, "locked_out")
    stopped = Verdict("service", Severity.OFF, "stopped")
    assert not writer.was_locked_out("boiler")
    writer.add_decision(replace(decide(1e9), deciding=locked), STATE)
    writer.add_decision(replace(decide(1e9 + 10.0, sequence=2), deciding=stopped), STATE)
    assert writer.was_locked_out("boiler")
    writer.add_decision(replace(decide(1e9 + 20.0, sequence=3), deciding=None), STATE)
    assert not writer.was_locked_out("boiler")


def test_decision_and_state_are_stored_together_or_not_at_all(
    writer: Writer, reader: Reader, decide: MakeDecision
) -> None:
    """Where the state cannot be written, the decision is not there either."""
    writer.add_decision(decide(100.0), STATE)
    writer._connection.execute("DROP TABLE heater_state")
    with pytest.raises(StoreFailed, match="store a decision"):
        writer.add_decision(decide(200.0), STATE)
    last = reader.last_decision("boiler")
    assert last is not None
    assert last.at.utc_s == 100.0


def test_failed_readings_leave_no_sensor_key_behind(
    writer: Writer, reader: Reader, reading: MakeReading
) -> None:
    """After a failed batch the next one of the same sensor is stored under the right key."""
    with pytest.raises(StoreFailed):  # SQLite takes no NaN for a number
        writer.add_readings([reading(1.0), reading(2.0, float("nan"))])
    writer.add_readings([reading(3.0, sensor="bay-slab"), reading(4.0, 4.5)])
    assert reader.samples("bay-air", 0.0, 10.0) == [(4.0, 4.5)]


def test_any_thread_may_write(writer: Writer, reader: Reader, reading: MakeReading) -> None:
    """Writes from several threads at once all arrive."""

    def write(sensor: str) -> None:
        for second in range(20):
            writer.add_readings([reading(float(second), sensor=sensor)])

    threads = [threading.Thread(target=write, args=(f"s{n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [len(reader.samples(f"s{n}", 0.0, 100.0)) for n in range(4)] == [20] * 4


def test_locked_store_is_a_store_failure(
    folder: Path, writer: Writer, decide: MakeDecision
) -> None:
    """A second writer that holds the lock makes a write fail as StoreFailed, naming the file."""
    writer._connection.execute("PRAGMA busy_timeout = 10")
    with closing(sqlite3.connect(folder / "slabtide.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreFailed, match=r"slabtide\.db: database is locked"):
            writer.add_decision(decide(100.0), STATE)
        other.execute("ROLLBACK")
    writer.add_decision(decide(100.0), STATE)


def test_closed_or_damaged_store_is_a_store_failure(folder: Path, decide: MakeDecision) -> None:
    """Whatever SQLite says of a closed connection or a file of rubbish, it is StoreFailed."""
    writer = open_writer(folder)
    writer.close()
    with pytest.raises(StoreFailed):
        writer.add_decision(decide(100.0), STATE)
    for file in folder.glob("slabtide.db*"):
        file.write_bytes(b"no database" * 1000)
    with pytest.raises(StoreFailed, match="open the store"):
        open_writer(folder)
    with pytest.raises(StoreFailed, match="open the store"):
        open_reader(folder)


def test_folder_that_cannot_be_made_is_a_store_failure(tmp_path: Path) -> None:
    """A file where the folder should be is reported, not raised as an OSError."""
    (tmp_path / "record").write_text("in the way")
    with pytest.raises(StoreFailed, match="open the store"):
        open_writer(tmp_path / "record")


def test_reader_never_writes(folder: Path, writer: Writer, reader: Reader) -> None:
    """A reader's connection refuses to write, and a missing store is not made."""
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._connection.execute("DELETE FROM decision")
    with pytest.raises(StoreMissing):
        open_reader(folder / "elsewhere")
    assert not (folder / "elsewhere").exists()


def test_reader_opens_after_a_clean_stop(folder: Path, decide: MakeDecision) -> None:
    """A store whose writer closed it, and so has no side files, can be read."""
    with closing(open_writer(folder)) as writer:
        writer.add_decision(decide(100.0), STATE)
    with closing(open_reader(folder)) as reader:
        assert reader.last_decision("boiler") == decide(100.0)

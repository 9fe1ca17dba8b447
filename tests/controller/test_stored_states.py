"""Lockouts of heaters that are no longer in the site file, and on disks that come and go."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from controller.interlocks import removed_role
from controller.records.decision import HeaterState, Notice
from controller.records.instant import Instant
from controller.requests import leave_acknowledgement
from controller.store import rows
from controller.store.database import FILE_NAME
from controller.store.lockout_marks import LockoutMarks, take_along
from controller.store.writer import open_lasting_writer, open_writer
from controller.stored_states import StoredStates
from tests.controller.builders import MILD, air, slab
from tests.controller.guard_bench import MILD_LOFT, Workshop, sent

NOW = Instant(1e9, 0.0)


def test_a_new_name_lifts_no_lockout(tmp_path: Path) -> None:
    """The boiler is called kettle from now on: kettle is locked out, with an alarm that says so."""
    with closing(open_writer(tmp_path)) as store:
        store.save_state("boiler", HeaterState(latched=frozenset({"supply_over_temperature"})))
    with closing(open_writer(tmp_path)) as store:
        states = StoredStates(store, ["kettle"])
        carry = states.first_carry("kettle", NOW)
        assert carry.state.latched == {"supply_over_temperature"}
        [notice] = states.notices()
        assert notice.alarm
        assert "boiler" in notice.text
    with closing(open_writer(tmp_path)) as store:  # handed on once, and for good
        again = StoredStates(store, ["kettle"])
        assert again.first_carry("kettle", NOW).state.latched == {"supply_over_temperature"}
        assert again.notices() == []


def test_an_acknowledged_lockout_does_not_come_back(tmp_path: Path) -> None:
    """Handed on and lifted, it is gone."""
    with closing(open_writer(tmp_path)) as store:
        store.save_state("boiler", HeaterState(latched=frozenset({"supply_over_temperature"})))
        StoredStates(store, ["kettle"])
        store.save_state("kettle", HeaterState())
    with closing(open_writer(tmp_path)) as store:
        assert StoredStates(store, ["kettle"]).first_carry("kettle", NOW).state.latched == set()


def test_another_folder_for_the_records_lifts_no_lockout(tmp_path: Path) -> None:
    """An edit of the site file's ``store`` takes the lockout along."""
    before, after = tmp_path / "before", tmp_path / "after"
    with closing(open_writer(before)) as store:
        store.save_state("boiler", HeaterState(latched=frozenset({"supply_over_temperature"})))
    take_along(before, after)
    with closing(open_writer(after)) as store:
        carry = StoredStates(store, ["boiler"]).first_carry("boiler", NOW)
        assert carry.state.latched == {"supply_over_temperature"}
        store.save_state("boiler", HeaterState())  # acknowledged there
    take_along(after, after)
    assert LockoutMarks(after).of("boiler") == frozenset()


@pytest.mark.parametrize("damaged", ['{"sequence": 1e30}', '{"issued_s": Infinity}', "[" * 100_000])
def test_state_that_cannot_be_lifts_no_lockout(tmp_path: Path, damaged: str) -> None:
    """The heater starts, with numbers that can be sent and with the lockout that its mark tells."""
    with closing(open_writer(tmp_path)) as store:
        store.save_state("boiler", HeaterState(latched=frozenset({"supply_over_temperature"})))
        store._connection.execute("UPDATE heater_state SET state = ?", (damaged,))
    with closing(open_writer(tmp_path)) as store:
        states = StoredStates(store, ["boiler"])
        carry = states.first_carry("boiler", NOW)
        [notice] = states.notices()
        assert notice.alarm
        store.save_state("boiler", carry.state)
    assert carry.state.latched == {"supply_over_temperature"}
    assert 0 < carry.state.sequence < 2e9
    assert 0.0 <= carry.state.issued_s < NOW.utc_s + 3600.0


# --- a disk that is mounted while the service runs ----------------------------------------------

LATCHED = frozenset({"supply_over_temperature"})
COLD = (slab(3.0), air(3.0), slab(3.0, subject="loft"), air(3.0, subject="loft"))


@dataclass
class Late:
    """A service that has started on the empty mount point of the disk with its records."""

    folder: Path
    workshop: Workshop

    def mount(self) -> None:
        self.folder.rename(self.folder.with_name("under"))
        self.folder.with_name("disk").rename(self.folder)

    def kept(self) -> HeaterState:
        """What the records on the disk hold of the boiler."""
        with closing(sqlite3.connect(self.folder / FILE_NAME)) as raw:
            [(text,)] = raw.execute("SELECT state FROM heater_state WHERE heater = 'boiler'")
        return rows.from_json(HeaterState, text)


@pytest.fixture
def late(tmp_path: Path) -> Late:
    folder = tmp_path / "records"
    fitted = {removed_role.NAME: {"supply@loft-loop": 1.0}}
    with closing(open_writer(tmp_path / "disk")) as store:
        store.save_state("boiler", HeaterState(sequence=10**10, latched=LATCHED))
        store.save_state("kettle", HeaterState(memories=fitted))
    folder.mkdir()
    workshop = Workshop(folder)
    workshop.intake.readings = COLD
    return begun(folder, workshop)


def begun(folder: Path, workshop: Workshop) -> Late:
    workshop.store = open_lasting_writer(folder)
    workshop.start()
    workshop.run(30.0)
    return Late(folder, workshop)


def test_a_disk_that_comes_late_brings_its_lockouts(late: Late) -> None:
    """Locked out from the first tick on that sees it; sequence and fitted sensors come along."""
    assert late.workshop.last_sent() == {"boiler": True, "kettle": True}
    late.mount()
    late.workshop.tick()
    assert late.workshop.last_sent() == {"boiler": False, "kettle": True}
    assert sent(late.workshop.journal, "boiler")[-1].sequence > 10**10
    late.workshop.run(120.0)
    assert late.kept().latched == LATCHED
    assert LockoutMarks(late.folder).of("boiler") == LATCHED
    late.workshop.intake.readings = (*MILD, *MILD_LOFT)
    late.workshop.run(3600.0)
    late.workshop.plan(heat=True)
    late.workshop.run(320.0)
    assert late.workshop.last_sent() == {"boiler": False, "kettle": False}  # a sensor is gone


def test_what_comes_in_the_middle_of_a_tick_is_not_written_over(
    late: Late, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The store is looked at before the readings are taken: the disk is mounted after that."""
    taken = late.workshop.intake.take

    def mount(*given: Any, **named: Any) -> tuple[Notice, ...]:
        late.mount()
        return taken(*given, **named)

    with monkeypatch.context() as patched:
        patched.setattr(late.workshop.intake, "take", mount)
        late.workshop.tick()
    late.workshop.guard.stop()
    assert late.kept().latched == LATCHED
    late.workshop.tick()
    assert late.workshop.last_sent() == {"boiler": False, "kettle": True}
    assert LockoutMarks(late.folder).of("boiler") == LATCHED


def test_an_acknowledgement_that_comes_with_the_disk_is_an_old_one(late: Late) -> None:
    """It was left while no service looked, when nothing waited for it: it lifts nothing."""
    leave_acknowledgement(late.folder.with_name("disk"), "boiler", at_s=0.0)
    late.mount()
    late.workshop.run(30.0)
    assert late.workshop.last_sent() == {"boiler": False, "kettle": True}
    leave_acknowledgement(late.folder, "boiler", at_s=0.0)
    late.workshop.run(30.0)
    assert late.workshop.last_sent() == {"boiler": True, "kettle": True}


def test_a_lockout_outlives_the_disk_it_is_recorded_on(late: Late) -> None:
    """The disk goes and leaves an empty folder: the lockout is marked and recorded anew there."""
    late.mount()
    late.workshop.run(30.0)
    late.folder.rename(late.folder.with_name("gone"))
    late.folder.mkdir()
    late.workshop.run(30.0)
    assert late.workshop.last_sent() == {"boiler": False, "kettle": True}
    assert late.kept().latched == LATCHED
    assert LockoutMarks(late.folder).of("boiler") == LATCHED

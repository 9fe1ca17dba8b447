"""Lockouts of heaters that are no longer in the site file."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

from controller.records.decision import HeaterState
from controller.records.instant import Instant
from controller.store.lockout_marks import LockoutMarks, take_along
from controller.store.writer import open_writer
from controller.stored_states import StoredStates

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

"""The guard: the order of a tick, its end, and what reaches it from outside."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from controller.guard import TakenOver
from controller.records.decision import Notice, NoticeKind
from controller.records.limits import Limits
from controller.records.site import Role
from controller.requests import leave_acknowledgement
from controller.store.failures import StoreFailed
from tests.controller.builders import (
    MILD,
    air,
    lost,
    make_session,
    outdoor,
    sensed,
    slab,
    two_heater_site,
)
from tests.controller.guard_bench import MILD_LOFT, Workshop, recorded, sent


@pytest.fixture
def workshop(tmp_path: Path) -> Workshop:
    return Workshop(tmp_path)


# --- the order of a tick ------------------------------------------------------------------------


def test_start_means_off(workshop: Workshop) -> None:
    """The first thing that every relay hears from a new process is OFF."""
    workshop.plan(heat=True)
    first = workshop.tick(0.0)
    assert [(c.heater, c.heat) for c in sent(first)] == [("boiler", False), ("kettle", False)]


def test_the_record_comes_before_the_relay(workshop: Workshop) -> None:
    """Each change of a command stands in the store before the relay hears of it."""
    workshop.heat()
    workshop.plan(heat=False)
    workshop.run(320.0)
    recorded_heat: dict[str, bool] = {}
    for kind, item in workshop.journal:
        if kind == "record":
            recorded_heat[item.heater] = item.command.heat
        else:
            assert recorded_heat[item.heater] is item.heat
    assert {c.heat for c in sent(workshop.journal)} == {True, False}


def test_what_is_sent_is_what_was_recorded(workshop: Workshop) -> None:
    """A command that goes with a row is the very one in the row."""
    journal = workshop.tick(0.0)
    assert [d.command for d in recorded(journal)] == sent(journal)


def test_on_is_renewed_at_every_tick(workshop: Workshop) -> None:
    """Each tick that wants heat renews the lease, with a higher sequence and a later issue."""
    workshop.heat()
    commands = sent(workshop.run(300.0), "boiler")
    assert len(commands) == 30
    assert all(command.heat and command.lease_s == 120.0 for command in commands)
    numbers = [(command.sequence, command.issued_s) for command in commands]
    assert all(b[0] > a[0] and b[1] > a[1] for a, b in pairwise(numbers))


def test_off_is_repeated_every_minute(workshop: Workshop) -> None:
    """While nothing is wanted the relay hears OFF about once a minute, not at each tick."""
    workshop.run(120.0)
    commands = sent(workshop.run(600.0), "boiler")
    assert [command.heat for command in commands] == [False] * 10


def test_rows_are_a_minute_apart_while_nothing_changes(workshop: Workshop) -> None:
    """A steady hour of heat has a row a minute."""
    workshop.heat()
    workshop.run(60.0)
    assert len(recorded(workshop.run(3600.0), "boiler")) == 60


def test_the_state_that_must_survive_is_stored_with_the_row(workshop: Workshop) -> None:
    """A new process finds heat, sequence and memories of the old one's last row."""
    workshop.heat()
    state = workshop.store.states["boiler"]
    assert state.heating is True
    assert state.memories is not None
    assert state.memories["maximum_run"]["run_s"] >= 0.0
    last = sent(workshop.journal, "boiler")[-1]
    workshop.start()
    first = sent(workshop.tick(), "boiler")[0]
    assert first.heat is False
    assert first.sequence > last.sequence
    assert first.issued_s > last.issued_s


def test_an_unreadable_state_does_not_start_the_sequence_again(workshop: Workshop) -> None:
    """With the state lost, the sequence goes on from the last decision in the record."""
    workshop.store.sequences = {"boiler": 5000}
    workshop.start()
    assert sent(workshop.tick(), "boiler")[0].sequence > 5000


def test_an_unreadable_state_does_not_forget_a_lockout(workshop: Workshop) -> None:
    """With the state lost after a lockout there is an alarm, and no heat until acknowledged."""
    workshop.store.states.clear()
    workshop.store.unreadable_states = {"boiler": "no JSON"}
    workshop.store.locked_out = {"boiler"}
    workshop.start()
    (decision,) = recorded(workshop.tick(), "boiler")
    assert decision.deciding is not None
    assert decision.deciding.rule == "lockout"
    assert any(n.alarm and "boiler is lost" in n.text for n in decision.notices)


def test_heaters_are_decided_each_by_its_own_readings(workshop: Workshop) -> None:
    """A slab that is lost in one heater's zone does not stop the other."""
    workshop.heat()
    workshop.intake.readings = (*MILD, lost(Role.SLAB, "loft"), air(subject="loft"))
    workshop.tick()
    assert workshop.last_sent() == {"boiler": True, "kettle": False}


def test_a_relay_that_cannot_be_reached_is_not_wished_on(workshop: Workshop) -> None:
    """While the broker is away planned heat ends, with the reason on record."""
    workshop.heat()
    workshop.relays["boiler"].connected = False
    journal = workshop.tick()
    (decision,) = recorded(journal, "boiler")
    assert decision.deciding is not None
    assert decision.deciding.rule == "relay_reachable"
    assert workshop.last_sent() == {"boiler": False, "kettle": True}


def test_a_connection_that_was_lost_between_two_ticks_ends_planned_heat(workshop: Workshop) -> None:
    """It has moved the contact: an OFF, with its minimum time; frost heat goes on."""
    workshop.heat()
    workshop.relays["boiler"].interrupted = True
    workshop.tick()
    assert workshop.last_sent() == {"boiler": False, "kettle": True}
    workshop.run(280.0)
    assert workshop.last_sent() == {"boiler": False, "kettle": True}
    workshop.run(20.0)
    assert workshop.last_sent() == {"boiler": True, "kettle": True}
    workshop.intake.readings = (slab(3.0), air(4.0), outdoor(-8.0), *MILD_LOFT)
    workshop.relays["boiler"].interrupted = True
    workshop.tick()
    assert workshop.last_sent()["boiler"] is True


def test_frost_heat_that_cannot_be_sent_is_not_on_record_as_on(workshop: Workshop) -> None:
    """Frost protection asks and nothing is sent: the record says so, and somebody is told."""
    workshop.intake.readings = (slab(3.0), air(4.0), outdoor(-8.0), *MILD_LOFT)
    workshop.run(60.0)
    assert workshop.last_sent() == {"boiler": True, "kettle": False}
    workshop.relays["boiler"].connected = False
    journal = workshop.run(120.0)
    assert not any(command.heat for command in sent(journal, "boiler"))
    for decision in recorded(journal, "boiler"):
        assert not decision.command.heat
        assert decision.deciding is not None
        assert (decision.deciding.rule, decision.deciding.reason) == ("relay_reachable", "not_sent")
        assert NoticeKind.FROST_NOT_SENT in {notice.kind for notice in decision.notices}
    workshop.relays["boiler"].connected = True
    (decision,) = recorded(workshop.tick(), "boiler")
    assert decision.command.heat
    assert workshop.last_sent() == {"boiler": True, "kettle": False}


# --- the end ------------------------------------------------------------------------------------


def test_a_session_taken_over_means_off_and_the_end(workshop: Workshop) -> None:
    """Another client on one relay: every heater is told OFF, with the reason, and it ends."""
    workshop.heat()
    workshop.relays["kettle"].taken_over = True
    with pytest.raises(TakenOver):
        workshop.tick()
    assert workshop.last_sent() == {"boiler": False, "kettle": False}
    last = recorded(workshop.journal, "boiler")[-1]
    assert "taken the session" in last.notices[0].text


def test_stopping_tells_off(workshop: Workshop) -> None:
    """A clean stop ends the planner, says OFF to every heater, and writes why."""
    workshop.heat()
    begun = len(workshop.journal)
    workshop.guard.stop()
    journal = workshop.journal[begun:]
    assert [(c.heater, c.heat) for c in sent(journal)] == [("boiler", False), ("kettle", False)]
    assert [d.notices[0].kind for d in recorded(journal)] == [NoticeKind.STOPPED] * 2
    assert workshop.desk.stopped
    assert workshop.store.states["boiler"].heating is False


def test_stopping_stores_the_readings_of_the_last_minute(workshop: Workshop) -> None:
    """What waits for the next batch is stored after the OFF; a store that fails ends no stop."""
    workshop.guard.stop()
    assert workshop.intake.flushed == 1
    workshop.fault.at, workshop.fault.error = "flush", StoreFailed("disk full")
    workshop.guard.stop()
    assert workshop.last_sent() == {"boiler": False, "kettle": False}


def test_stopping_before_the_first_tick_tells_off_too(workshop: Workshop) -> None:
    """A service that is stopped at once has said OFF."""
    workshop.guard.stop()
    assert workshop.last_sent() == {"boiler": False, "kettle": False}


def test_the_last_off_outdates_all_before(workshop: Workshop) -> None:
    """The OFF that closes a connection is younger than any command sent."""
    workshop.heat()
    workshop.guard.stop()
    last = workshop.guard.last_off("boiler")
    assert last.heat is False
    assert last.sequence > sent(workshop.journal, "boiler")[-1].sequence
    assert last.issued_s >= sent(workshop.journal, "boiler")[-1].issued_s


# --- acknowledging ------------------------------------------------------------------------------


def test_acknowledging_one_heater_leaves_the_other_locked(workshop: Workshop) -> None:
    """The owner's request reaches its own heater at the next tick, and is on record."""
    hot = (slab(41.0), air(), outdoor(), slab(41.0, subject="loft"), air(subject="loft"))
    workshop.intake.readings = hot
    workshop.run(120.0)
    workshop.intake.readings = (*MILD, *MILD_LOFT)
    workshop.tick()
    leave_acknowledgement(workshop.folder, "boiler", at_s=0.0)
    journal = workshop.tick()
    assert workshop.store.states["boiler"].latched == frozenset()
    assert workshop.store.states["kettle"].latched == {"slab_over_temperature"}
    texts = [n.text for n in recorded(journal, "boiler")[-1].notices]
    assert texts == ["Acknowledged for boiler: lockouts, and sensors taken out."]


def test_a_lockout_survives_a_restart(workshop: Workshop) -> None:
    """A new process is as locked out as the old one was."""
    workshop.intake.readings = (slab(41.0), *MILD[1:], *MILD_LOFT)
    workshop.run(120.0)
    workshop.intake.readings = (*MILD, *MILD_LOFT)
    workshop.start()
    workshop.plan(heat=True)
    workshop.run(900.0)
    assert workshop.last_sent() == {"boiler": False, "kettle": True}


# --- configuration ------------------------------------------------------------------------------


def test_new_limits_hold_from_the_next_tick(workshop: Workshop) -> None:
    """An edited limit is judged by, planned by, told and kept."""
    workshop.heat()
    workshop.watch.edited = replace(
        workshop.watch.current, limits=Limits(slab_max_c=15.5), texts={"limits.yaml": "new"}
    )
    journal = workshop.tick()
    assert workshop.last_sent() == {"boiler": False, "kettle": False}
    kinds = [n.kind for n in recorded(journal, "boiler")[-1].notices]
    assert NoticeKind.CONFIGURATION_LOADED in kinds
    assert workshop.desk.limits == Limits(slab_max_c=15.5)
    assert workshop.store.texts["limits.yaml"] == "new"
    assert workshop.guard.site_changed is False


def test_a_changed_site_asks_for_a_new_start(workshop: Workshop) -> None:
    """Sensors and heaters are not changed under way: the service is told to start over."""
    site = replace(two_heater_site(), latitude_deg=50.0)
    workshop.watch.edited = replace(workshop.watch.current, site=site)
    workshop.tick()
    assert workshop.guard.site_changed is True


def test_the_texts_in_force_are_kept_at_the_start(workshop: Workshop) -> None:
    """A decision can be read back beside the files that it was made by."""
    workshop.tick()
    assert workshop.store.texts == {"site.yaml": "id: workshop\n"}


def test_a_broken_edit_is_an_alarm_in_every_decision(workshop: Workshop) -> None:
    """What the watch has to say stands in each row until it is put right."""
    alarm = Notice(NoticeKind.KEPT_LAST_CONFIGURATION, "limits.yaml:3:1: wrong; right", True)
    workshop.watch.notices = (alarm,)
    assert all(alarm in d.notices for d in recorded(workshop.run(120.0)))


def test_the_start_is_told_once(workshop: Workshop) -> None:
    """The first row of a process says that it has started, the second no more."""
    first, *others = recorded(workshop.run(60.0), "boiler")
    assert [n.kind for n in first.notices] == [NoticeKind.STARTED]
    assert all(not d.notices for d in others)


# --- planning and read-back ---------------------------------------------------------------------


def test_a_verdict_that_comes_or_goes_asks_for_a_plan(workshop: Workshop) -> None:
    """A lost reading and its return are events for the planner; the minimum times are not."""
    workshop.heat()
    events = workshop.desk.events
    workshop.run(60.0)
    assert workshop.desk.events == events
    workshop.intake.readings = (slab(), lost(Role.AIR), outdoor(), *MILD_LOFT)
    workshop.tick()
    assert workshop.desk.events == events + 1
    workshop.run(60.0)
    assert workshop.desk.events == events + 1
    workshop.intake.readings = (*MILD, *MILD_LOFT)
    workshop.tick()
    assert workshop.desk.events == events + 2


def test_the_planner_is_told_what_it_needs(workshop: Workshop) -> None:
    """The last command, and whether every zone's air has been seen."""
    workshop.intake.readings = (slab(), *MILD_LOFT)
    workshop.run(20.0)
    assert (workshop.desk.needs["boiler"].seen, workshop.desk.needs["kettle"].seen) == (False, True)
    workshop.intake.readings = (*MILD, *MILD_LOFT)
    workshop.run(20.0)
    workshop.heat()
    workshop.tick()
    assert workshop.desk.needs["boiler"].seen
    assert workshop.desk.needs["boiler"].heating


def test_what_the_relay_answers_is_stored(workshop: Workshop) -> None:
    """The first younger report after a change of command is put beside it."""
    workshop.heat()
    on = sent(workshop.journal, "boiler")
    changed = next(c for c in on if c.heat)
    workshop.store.readbacks.clear()
    workshop.intake.readings = (
        *MILD, *MILD_LOFT, sensed(Role.RELAY_STATE, 1.0, subject="boiler", age_s=1.0)
    )  # fmt: skip
    workshop.tick()
    (readback,) = workshop.store.readbacks
    assert (readback.sequence, readback.heat, readback.agrees) == (changed.sequence, True, True)


def test_sessions_come_from_the_bookings_in_force(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each heater plans for the sessions of its own zones."""
    session = make_session()

    def booked(*_: Any, **__: Any) -> Any:
        return (session, replace(session, zone="loft", id="up"))

    monkeypatch.setattr("controller.session_book.sessions", booked)
    workshop.tick()
    assert workshop.desk.needs["boiler"].sessions == (session,)
    assert [s.id for s in workshop.desk.needs["kettle"].sessions] == ["up"]

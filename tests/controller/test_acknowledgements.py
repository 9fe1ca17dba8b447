"""Acknowledging: what is lifted, what is not, and what the owner is told."""

from __future__ import annotations

import errno
import os
from dataclasses import replace
from pathlib import Path

import pytest

from controller import acknowledgements
from controller.commands.acknowledge import Seen, look, told
from controller.cycle import Carry, decide
from controller.interlocks import removed_role
from controller.local_time import LocalTime
from controller.records.decision import HeaterState, NoticeKind
from controller.records.readings import Sensed
from controller.records.safety import Acknowledged, Severity
from controller.records.site import Role
from controller.requests import leave_acknowledgement
from controller.store.database import FILE_NAME
from controller.store.lockout_marks import LockoutMarks
from controller.store.writer import open_writer
from controller.supervisor import supervise
from tests.controller.builders import (
    MILD,
    START,
    START_S,
    Script,
    air,
    make_situation,
    sensed,
    slab,
    view,
)
from tests.controller.guard_bench import Trouble, Workshop, recorded

LOCAL = LocalTime("Europe/Berlin")


@pytest.fixture
def workshop(tmp_path: Path) -> Workshop:
    return Workshop(tmp_path)


def kinds(workshop: Workshop) -> set[NoticeKind]:
    return {n.kind for d in recorded(workshop.tick(), "boiler") for n in d.notices}


def lock(workshop: Workshop, *rules: str) -> None:
    state = workshop.store.states.get("boiler", HeaterState())
    workshop.store.states["boiler"] = replace(state, latched=frozenset(rules))


# --- what is lifted -----------------------------------------------------------------------------


def test_only_what_is_acknowledged_is_lifted() -> None:
    """Of two lockouts the one that was named."""
    locked = view(*MILD, latched=frozenset({"loop_pressure", "relay_read_back"}))
    ruling = supervise(locked, {}, acknowledged=Acknowledged(frozenset({"loop_pressure"})))
    assert ruling.latched == {"relay_read_back"}
    assert not ruling.heat


def test_an_acknowledgement_left_while_the_service_was_down_lifts_what_stood_then(
    workshop: Workshop,
) -> None:
    """A lockout that it names is gone with the first tick, and the notice says which."""
    lock(workshop, "loop_pressure")
    leave_acknowledgement(workshop.folder, "boiler", at_s=0.0, waits={"loop_pressure"})
    workshop.start()
    journal = workshop.tick()
    assert workshop.store.states["boiler"].latched == frozenset()
    (text,) = [
        n.text
        for d in recorded(journal, "boiler")
        for n in d.notices
        if n.kind is NoticeKind.ACKNOWLEDGED
    ]
    assert "loop pressure" in text


@pytest.mark.parametrize("waits", [set(), {"loop_pressure"}])
def test_what_came_after_it_is_not_lifted(workshop: Workshop, waits: set[str]) -> None:
    """A lockout of another heater's name, or out of a backup: nobody has looked at that one."""
    leave_acknowledgement(workshop.folder, "boiler", at_s=0.0, waits=waits)
    lock(workshop, "slab_over_temperature")
    workshop.start()
    told_of = kinds(workshop)
    assert workshop.store.states["boiler"].latched == {"slab_over_temperature"}
    assert (NoticeKind.NOT_ACKNOWLEDGED in told_of) is (not waits)
    assert (NoticeKind.ACKNOWLEDGED in told_of) is bool(waits)
    # given to the running service it lifts what stands, whatever it names
    leave_acknowledgement(workshop.folder, "boiler", at_s=0.0)
    assert NoticeKind.ACKNOWLEDGED in kinds(workshop)
    assert workshop.store.states["boiler"].latched == frozenset()


def test_a_sensor_taken_out_after_it_is_not_confirmed() -> None:
    """An acknowledgement of a lockout says nothing of the site file's next edit."""
    script = Script(removed_role)
    script.tick(*MILD, sensed(Role.SUPPLY, 30.0, subject="bay-loop"))
    other = Acknowledged(frozenset({"loop_pressure"}))
    assert script.restart(*MILD, acknowledged=other).severity is Severity.OFF
    own = Acknowledged(frozenset({"removed_role"}))
    assert script.restart(*MILD, acknowledged=own).severity is Severity.ALLOW


# --- what cannot be taken -----------------------------------------------------------------------


def blind(monkeypatch: pytest.MonkeyPatch) -> None:
    """The folder of the requests is on a disk that is gone."""

    def refuse(path: Path) -> None:
        raise OSError(errno.EIO, "Input/output error", str(path))

    monkeypatch.setattr(os, "scandir", refuse)


def test_frost_protection_outlives_the_disk_of_the_requests(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither the listing nor the record works: it heats, and every decision has the alarm."""
    workshop.intake.readings = (
        *(slab(3.0), air(3.0)),
        *(slab(3.0, subject="loft"), air(3.0, subject="loft")),
    )
    blind(monkeypatch)
    workshop.store.shut = True
    workshop.run(660.0)
    assert workshop.last_sent() == {"boiler": True, "kettle": True}
    (alarm,) = [n for n in workshop.cries()[-1].notices if n.kind is NoticeKind.NOT_ACKNOWLEDGED]
    assert alarm.alarm
    assert "Acknowledgements cannot be read" in alarm.text


def test_an_error_that_nobody_thought_of_leaves_frost_protection(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever is wrong with the requests, it is told and is OFF but for frost."""

    def fail(*_: object, **__: object) -> None:
        raise Trouble("out of the blue")

    monkeypatch.setattr(acknowledgements, "take_acknowledgements", fail)
    workshop.intake.readings = (
        *(slab(3.0), air(3.0)),
        *(slab(3.0, subject="loft"), air(3.0, subject="loft")),
    )
    workshop.run(660.0)
    assert workshop.last_sent() == {"boiler": True, "kettle": True}
    assert NoticeKind.UNEXPECTED_ERROR in kinds(workshop)


def test_what_is_found_after_a_blind_time_lifts_only_what_it_names(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody knows how old it is: as with one left while no service ran."""
    lock(workshop, "slab_over_temperature")
    workshop.start()
    workshop.tick()
    leave_acknowledgement(workshop.folder, "boiler", at_s=0.0, waits={"loop_pressure"})
    with monkeypatch.context() as patched:
        blind(patched)
        workshop.tick()
    assert NoticeKind.ACKNOWLEDGED in kinds(workshop)
    assert workshop.store.states["boiler"].latched == {"slab_over_temperature"}


def test_a_request_that_is_none_is_an_alarm(workshop: Workshop) -> None:
    """It stands in the decision of the tick that has met it."""
    workshop.tick()
    path = leave_acknowledgement(workshop.folder, "boiler", at_s=0.0)
    path.write_bytes(b"rubbish")
    told_of = {n for d in recorded(workshop.tick(), "boiler") for n in d.notices}
    assert {n.kind for n in told_of if n.alarm} == {NoticeKind.NOT_ACKNOWLEDGED}


# --- what the owner is told ---------------------------------------------------------------------


def written(folder: Path, *readings: Sensed, **changes: frozenset[str]) -> None:
    """A store with one decision."""
    writer = open_writer(folder)
    carry = Carry.at_start(HeaterState(**changes), START)
    decision, carry = decide(make_situation(*readings), carry)
    writer.add_decision(decision, carry.state)
    writer.close()


def test_what_waits_is_read_from_the_record_and_the_marks(tmp_path: Path) -> None:
    """Lockouts by name, whether the row or the file beside it holds them."""
    written(tmp_path, *MILD, latched=frozenset({"loop_pressure", "relay_read_back"}))
    seen = look(tmp_path, "boiler")
    assert (seen.waits, seen.last_s) == ({"loop_pressure", "relay_read_back"}, START_S)
    LockoutMarks(tmp_path).keep("boiler", frozenset({"slab_over_temperature"}))
    assert "slab_over_temperature" in look(tmp_path, "boiler").waits
    assert look(tmp_path, "kettle") == Seen(frozenset())


def test_a_sensor_taken_out_waits_by_its_name(tmp_path: Path) -> None:
    """So that a request for it is none for another that is lost before it is taken."""
    gone = {"removed_role": {"supply@bay-loop": 1.0}}
    written(tmp_path, *MILD, memories=gone)
    assert look(tmp_path, "boiler").waits == {"removed_role: supply@bay-loop"}


def test_nothing_waits_in_a_sound_record(tmp_path: Path) -> None:
    """No lockout, no sensor taken out."""
    written(tmp_path, *MILD)
    assert look(tmp_path, "boiler") == Seen(frozenset(), START_S)


def test_a_record_that_cannot_be_read_leaves_the_marks(tmp_path: Path) -> None:
    """What stands in a damaged store is not known, and that is said."""
    written(tmp_path, *MILD)
    (tmp_path / FILE_NAME).write_bytes(b"rubbish" * 1000)
    LockoutMarks(tmp_path).keep("boiler", frozenset({"loop_pressure"}))
    seen = look(tmp_path, "boiler")
    assert seen.waits == {"loop_pressure"}
    assert seen.trouble


@pytest.mark.parametrize(
    ("seen", "runs", "parts"),
    [
        (Seen(frozenset({"loop_pressure"}), START_S), True, ("Asked", "pressure", "next tick")),
        (Seen(frozenset(), START_S), True, ("nothing at boiler waits", "changes nothing")),
        (
            Seen(frozenset({"loop_pressure"}), START_S - 3600.0),
            False,
            ("Asked", "since 2026-01-12 06:00", "lifts loop pressure, and", "come since"),
        ),
        (Seen(frozenset(), START_S), False, ("nothing at boiler waits", "finds nothing to lift")),
        (Seen(frozenset()), False, ("here yet", "finds nothing to lift")),
        (Seen(frozenset(), trouble="no such disk"), False, ("cannot be read: no such disk",)),
    ],
)
def test_what_is_said(seen: Seen, runs: bool, parts: tuple[str, ...]) -> None:
    """Whether anything waits, whether a service runs, and what comes of it."""
    text = " ".join(told(seen, "boiler", runs=runs, local=LOCAL))
    assert [part for part in parts if part not in text] == []
    assert ("Asked" in text) is bool(seen.waits)
    assert ("running service" in text) is runs

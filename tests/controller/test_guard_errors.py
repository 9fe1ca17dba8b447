"""The guard when something goes wrong: OFF, a decision on record, and on with the next tick."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller import guard as guard_module
from controller.records.decision import Decision, HeaterState, Notice, NoticeKind
from controller.records.safety import Severity
from controller.records.site import Role
from controller.session_book import SessionBook
from controller.store.failures import StoreFailed
from tests.controller.builders import MILD, air, outdoor, sensed, slab
from tests.controller.guard_bench import MILD_LOFT, Journal, Workshop, recorded, sent

STEPS = ("configuration", "intake", "desk", "readings", "decide", "store", "relay.send", "readback")


@pytest.fixture
def failing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Workshop:
    """A workshop in which any step can be made to fail."""
    workshop = Workshop(tmp_path)

    def decide(situation: Any, carry: Any) -> Any:
        workshop.fault.strike("decide", situation.heater.id)
        return real(situation, carry)

    def of(self: SessionBook, *args: Any) -> Any:
        workshop.fault.strike("sessions")
        return sessions_of(self, *args)

    real, sessions_of = guard_module.decide, SessionBook.of
    monkeypatch.setattr(guard_module, "decide", decide)
    monkeypatch.setattr(SessionBook, "of", of)
    return workshop


def in_any_record(workshop: Workshop, journal: Journal) -> list[Decision]:
    return [*recorded(journal), *workshop.cries()]


@pytest.mark.parametrize("step", [s for s in STEPS if s != "readback"])
def test_an_unexpected_error_means_off(failing: Workshop, step: str) -> None:
    """Whatever step fails, every heater hears OFF in that very tick, with a decision on record."""
    failing.heat()
    # something new, so that the next tick has a row to write
    failing.intake.notices = (Notice(NoticeKind.READINGS_REJECTED, "Refused.", alarm=True),)
    before = {c.heater: c.sequence for c in sent(failing.journal)}
    failing.fault.at = step
    journal = failing.tick()
    lasts = {command.heater: command for command in sent(journal)}
    assert {heater: command.heat for heater, command in lasts.items()} == {
        "boiler": False,
        "kettle": False,
    }
    assert all(command.sequence > before[heater] for heater, command in lasts.items())
    told = [d for d in in_any_record(failing, journal) if not d.command.heat]
    assert {d.heater for d in told} == {"boiler", "kettle"}
    for decision in told:
        assert decision.deciding is not None
        assert (decision.deciding.rule, decision.deciding.severity) == ("service", Severity.OFF)
        assert "Trouble: out of the blue" in decision.notices[0].text
        assert decision.notices[0].alarm


@pytest.mark.parametrize("step", STEPS)
def test_the_next_tick_works_again(failing: Workshop, step: str) -> None:
    """An error that is over leaves nothing behind: the next tick decides as if new."""
    failing.heat()
    failing.fault.at = step
    failing.run(60.0)
    failing.fault.at = None
    decisions = recorded(failing.tick())
    if step != "readback":
        assert {d.heater for d in decisions} == {"boiler", "kettle"}
        assert all(d.deciding is None or d.deciding.rule != "service" for d in decisions)
    failing.run(320.0)
    assert failing.last_sent() == {"boiler": True, "kettle": True}


@pytest.mark.parametrize("step", [s for s in STEPS if s != "readback"])
def test_an_error_in_the_very_first_tick_is_on_record_too(failing: Workshop, step: str) -> None:
    """With no decision before it, the OFF is still decided, sent and written down."""
    failing.fault.at = step
    journal = failing.tick(0.0)
    assert {c.heater for c in sent(journal)} == {"boiler", "kettle"}
    assert not any(c.heat for c in sent(journal))
    assert {d.heater for d in in_any_record(failing, journal)} == {"boiler", "kettle"}


def test_an_on_that_fails_on_the_way_is_followed_by_a_younger_off(failing: Workshop) -> None:
    """A relay that did hear the ON must not refuse the OFF as old."""
    failing.heat()
    failing.fault.at = "relay.send of an ON"
    commands = sent(failing.tick(), "boiler")
    assert [command.heat for command in commands] == [True, False]
    assert commands[1].sequence > commands[0].sequence
    assert commands[1].issued_s > commands[0].issued_s


def test_one_heater_that_cannot_be_told_does_not_save_the_others(failing: Workshop) -> None:
    """With both relays failing, each is tried, and each OFF is on record."""
    failing.heat()
    failing.fault.at = "relay.send"
    journal = failing.tick()
    offs = [c.heater for c in sent(journal) if not c.heat]
    assert offs == ["boiler", "kettle"]
    assert {d.heater for d in recorded(journal) if not d.command.heat} == {"boiler", "kettle"}


def test_a_read_back_that_cannot_be_stored_is_no_reason_for_off(failing: Workshop) -> None:
    """The decision stands: what the relay said is beside it, not above it."""
    failing.fault.error = StoreFailed("disk full")
    failing.fault.at = "readback"
    failing.heat()
    failing.run(120.0)
    assert failing.last_sent() == {"boiler": True, "kettle": True}


def test_an_error_that_stays_does_not_fill_the_record(failing: Workshop) -> None:
    """The same error at every tick has a row a minute and where a rule has news of its own."""
    failing.heat()
    failing.fault.at = "intake"
    failing.tick()
    rows = recorded(failing.run(600.0), "boiler")
    assert 10 <= len(rows) <= 12


def test_off_after_an_error_counts_as_a_switching(failing: Workshop) -> None:
    """The minimum off time runs from the error's OFF."""
    failing.heat()
    failing.fault.at = "intake"
    failing.tick()
    failing.fault.at = None
    failing.run(290.0)
    assert failing.last_sent() == {"boiler": False, "kettle": False}
    failing.run(20.0)
    assert failing.last_sent() == {"boiler": True, "kettle": True}


def test_a_lockout_survives_an_error(failing: Workshop) -> None:
    """An error between a confirmed trip and the owner lifts nothing."""
    failing.intake.readings = (slab(41.0), *MILD[1:], *MILD_LOFT)
    failing.run(120.0)
    assert failing.store.states["boiler"].latched
    failing.fault.at = "intake"
    failing.run(60.0)
    failing.fault.at = None
    failing.intake.readings = (*MILD, *MILD_LOFT)
    failing.tick()
    assert failing.store.states["boiler"].latched == {"slab_over_temperature"}


# --- one heater, frost, alarms ------------------------------------------------------------------


def test_an_error_of_one_heater_is_its_own(failing: Workshop) -> None:
    """What fails for one heater costs the other nothing."""
    failing.heat()
    failing.fault.only = "kettle"
    failing.fault.at = "decide"
    failing.run(300.0)
    assert failing.last_sent() == {"boiler": True, "kettle": False}


@pytest.mark.parametrize("step", ["configuration", "intake", "desk", "sessions", "ask"])
def test_frost_protection_goes_on_through_an_error(failing: Workshop, step: str) -> None:
    """What frost protection does not need may fail: a cold slab is heated, tick after tick."""
    failing.intake.readings = (slab(3.0), air(3.0), outdoor(-9.0), *MILD_LOFT)
    failing.run(20.0)
    failing.fault.at = step
    failing.tick()
    commands = sent(failing.run(120.0))
    assert [c.heat for c in commands if c.heater == "boiler"] == [True] * 12
    assert not any(c.heat for c in commands if c.heater == "kettle")


def test_with_its_readings_lost_to_an_error_frost_heat_is_blind(failing: Workshop) -> None:
    """Readings that cannot be had are unknown readings: after their time, bounded frost heat."""
    failing.store.states = {"boiler": HeaterState(memories={"frost_protection": {"minute_s": 0.0}})}
    failing.start()
    failing.fault.at = "readings"
    commands = sent(failing.run(3600.0), "boiler")
    assert 60 <= sum(c.heat for c in commands) <= 90


def test_a_relay_that_stays_on_is_an_alarm_every_minute(
    failing: Workshop, caplog: pytest.LogCaptureFixture
) -> None:
    """Heat after an OFF is logged at once and every minute, and stands in each row."""
    stuck = sensed(Role.RELAY_STATE, 1.0, subject="boiler", age_s=1.0)
    failing.intake.readings = (*MILD, *MILD_LOFT, stuck)
    journal = failing.run(660.0)
    said = [r for r in caplog.records if r.levelname == "CRITICAL"]
    assert len(said) in (10, 11)
    assert all("told OFF" in r.getMessage() for r in said)
    rows = [d for d in recorded(journal, "boiler") if d.at.mono_s > failing.first_mono_s + 30.0]
    assert len(rows) >= 10
    assert all(NoticeKind.HEAT_AFTER_OFF in {n.kind for n in d.notices} for d in rows)


# --- a store that fails -------------------------------------------------------------------------


def test_a_store_that_fails_means_off_and_a_cry(failing: Workshop) -> None:
    """No record: planned heat ends at the next row, and the decision is on standard error."""
    failing.heat()
    failing.fault.error = StoreFailed("disk full")
    failing.fault.at = "store"
    failing.run(60.0)
    assert failing.last_sent() == {"boiler": False, "kettle": False}
    assert {d.heater for d in failing.cries()} == {"boiler", "kettle"}
    assert all(d.verdicts[-1].rule == "record" for d in failing.cries())


def test_frost_heats_without_a_record(failing: Workshop) -> None:
    """With the store failing a cold slab is still heated, tick after tick."""
    failing.intake.readings = (slab(3.0), air(3.0), outdoor(-9.0), *MILD_LOFT)
    failing.run(20.0)
    failing.fault.error = StoreFailed("disk full")
    failing.fault.at = "store"
    commands = sent(failing.run(120.0), "boiler")
    assert len(commands) == 12
    assert all(command.heat for command in commands)


def test_readings_that_cannot_be_stored_are_told(failing: Workshop) -> None:
    """A store that refuses readings is a notice in the decision, not the end of the tick."""
    failing.heat()
    failing.fault.error = StoreFailed("disk full")
    failing.fault.at = "intake"
    journal = failing.tick()
    kinds = {n.kind for d in recorded(journal) for n in d.notices if n.alarm}
    assert kinds == {NoticeKind.STORE_FAILED}
    assert failing.last_sent() == {"boiler": True, "kettle": True}


def test_readings_are_taken_in_though_nothing_was_ever_stored(failing: Workshop) -> None:
    """A service that starts on a full disk sees its sensors, and so protects from frost."""
    failing.fault.error = StoreFailed("disk full")
    failing.fault.at = "texts"
    failing.start()
    failing.run(30.0)
    assert failing.intake.taken == 3
    assert failing.store.texts == {}
    failing.fault.at = None
    failing.tick()
    assert set(failing.store.texts) == {"site.yaml"}


def test_errors_do_not_make_the_time_of_issue_run_ahead(failing: Workshop) -> None:
    """After errors the next command is issued at its own moment: time is not counted twice."""
    failing.heat()
    failing.fault.at = "intake"
    failing.run(50.0)
    failing.fault.at = None
    commands = sent(failing.tick(), "boiler")
    assert [command.issued_s for command in commands] == [failing.clock.now().utc_s]


def test_after_an_error_the_off_is_what_is_read_back(failing: Workshop) -> None:
    """A relay that obeyed the error's OFF is not put down as one that disobeyed an ON."""
    failing.heat()
    failing.store.readbacks.clear()
    failing.fault.at = "decide"
    failing.tick()
    failing.fault.at = None
    failing.intake.readings = (
        *MILD, *MILD_LOFT, sensed(Role.RELAY_STATE, 0.0, subject="boiler", age_s=1.0)
    )  # fmt: skip
    failing.run(70.0)
    found = [r for r in failing.store.readbacks if r.heat is not None]
    assert [(r.heat, r.agrees) for r in found] == [(False, True)]


# --- a store that is not there yet ---------------------------------------------------------------


def test_a_store_shut_at_the_start_means_no_planned_heat(failing: Workshop) -> None:
    """The service goes on with its heaters off, says so, and heats once the store is back."""
    failing.store.shut = True
    failing.start()
    failing.plan(heat=True)
    failing.run(400.0)
    assert failing.last_sent() == {"boiler": False, "kettle": False}
    assert any(n.kind is NoticeKind.STORE_FAILED for d in failing.cries() for n in d.notices)
    failing.store.shut = False
    failing.run(400.0)
    assert failing.last_sent() == {"boiler": True, "kettle": True}


def test_readings_are_taken_while_the_store_is_shut(
    failing: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A store that keeps nothing must not make the service blind."""
    taken: list[float] = []
    take = failing.intake.take

    def note(now: Any, store: Any, *, at_once: bool) -> Any:
        taken.append(now.mono_s)
        return take(now, store, at_once=at_once)

    monkeypatch.setattr(failing.intake, "take", note)
    failing.store.shut = True
    failing.start()
    failing.run(60.0)
    assert len(taken) == 6


def test_frost_heats_while_the_store_is_shut_from_the_start(failing: Workshop) -> None:
    """Pipes are guarded by what the sensors say, whatever the record does."""
    failing.store.shut = True
    failing.start()
    failing.intake.readings = (slab(3.0), air(3.0), outdoor(-9.0), *MILD_LOFT)
    failing.run(30.0)
    assert failing.last_sent()["boiler"] is True


def test_a_marked_lockout_holds_while_the_store_is_shut(failing: Workshop) -> None:
    """Nothing is known of the stored state but its mark, and that is enough: no frost heat."""
    failing.store.shut = True
    failing.store.marked = {"boiler": frozenset({"relay_read_back"})}
    failing.start()
    failing.intake.readings = (slab(3.0), air(3.0), outdoor(-9.0), *MILD_LOFT)
    failing.run(60.0)
    assert failing.last_sent()["boiler"] is False


def test_what_a_late_store_has_kept_is_joined(failing: Workshop) -> None:
    """Sequence and lockouts of the stored state count as soon as it can be read."""
    state = failing.store.states["boiler"] if failing.store.states else HeaterState()
    high = int(failing.clock.now().utc_s) + 10_000_000
    failing.store.states = {
        "boiler": replace(state, sequence=high, latched=frozenset({"slab_over_temperature"}))
    }
    failing.store.shut = True
    failing.start()
    failing.plan(heat=True)
    failing.run(30.0)
    failing.store.shut = False
    failing.run(400.0)
    assert failing.last_sent() == {"boiler": False, "kettle": True}
    assert failing.store.states["boiler"].latched == {"slab_over_temperature"}
    assert sent(failing.journal, "boiler")[-1].sequence > high


def test_a_late_store_still_knows_what_was_fitted(failing: Workshop) -> None:
    """A role taken out of the site file is missed although the store could not be read at first."""
    fitted = {"removed_role": {"supply@bay-loop": 1.0}}
    failing.store.states = {"boiler": HeaterState(memories=fitted)}
    failing.store.shut = True
    failing.start()
    failing.plan(heat=True)
    failing.run(30.0)
    failing.store.shut = False
    failing.run(400.0)
    assert failing.last_sent() == {"boiler": False, "kettle": True}
    assert recorded(failing.journal, "boiler")[-1].deciding.subject == "supply@bay-loop"


def test_another_store_is_filled(failing: Workshop) -> None:
    """A new file in place of a damaged one gets the configuration's texts and what was learnt."""
    failing.run(20.0)
    failing.store.texts.clear()
    failing.store.generation += 1
    journal = failing.run(10.0)
    assert any("moved or removed" in n.text for d in recorded(journal) for n in d.notices)
    assert failing.store.texts
    assert failing.desk.met_another_store == 1


def test_a_damaged_store_that_lies_aside_is_an_alarm_at_each_start(failing: Workshop) -> None:
    """The file's name is told until it has been moved out of the folder."""
    aside = failing.watch.current.store / "slabtide-damaged-20270112T060000Z.db"
    aside.parent.mkdir(parents=True, exist_ok=True)
    aside.touch()
    for _ in range(2):
        failing.start()
        first = recorded(failing.tick(), "boiler")[0]
        assert any(n.alarm and aside.name in n.text for n in first.notices)
    aside.unlink()
    failing.start()
    assert not any(n.alarm for n in recorded(failing.tick(), "boiler")[0].notices)

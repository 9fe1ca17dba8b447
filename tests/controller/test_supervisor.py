"""The supervisor: the worst verdict wins, lockouts stand, and nothing else has a say."""

from __future__ import annotations

from dataclasses import FrozenInstanceError
from itertools import permutations
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller import supervisor
from controller.interlocks import RULES
from controller.records.readings import Condition
from controller.records.safety import (
    EVERYTHING,
    NOTHING,
    Acknowledged,
    Clears,
    Memory,
    SafetyView,
    Severity,
    Verdict,
)
from controller.records.site import Role
from controller.supervisor import Ruling, supervise
from tests.controller.builders import HOUR_S, MILD, air, lost, outdoor, reasons, sensed, slab, view

ARMED = {"first_run": {"armed": 1.0}}
LOCKED = frozenset({"slab_over_temperature"})


def saying(severity: Severity, name: str) -> Any:
    """A rule that says the same at each tick, and counts how often it was heard."""

    def judge(_: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
        return Verdict(name, severity, "said"), {"heard": memory.get("heard", 0.0) + 1.0}

    return SimpleNamespace(NAME=name, SENTENCES={}, judge=judge)


@pytest.fixture
def say(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Put rules in place of the real ones that say these severities, in this order."""

    def put(*severities: Severity) -> None:
        rules = tuple(saying(severity, f"r{n}") for n, severity in enumerate(severities))
        monkeypatch.setattr(supervisor, "RULES", rules)

    return put


def settle(severity: Severity, *, wanted: bool, heating: bool) -> bool:
    """What design section 7 asks for when this is the worst verdict."""
    return {
        Severity.ALLOW: wanted,
        Severity.WARN: wanted,
        Severity.HOLD: heating,
        Severity.OFF: False,
        Severity.FROST: True,
        Severity.TRIP: False,
        Severity.LOCKOUT: False,
    }[severity]


# --- who wins -----------------------------------------------------------------------------------


@pytest.mark.parametrize("wanted", [False, True])
@pytest.mark.parametrize("heating", [False, True])
@pytest.mark.parametrize("worst", list(Severity))
def test_the_worst_wins_in_any_order(
    say: Any, worst: Severity, heating: bool, wanted: bool
) -> None:
    """Among all lesser verdicts the worst settles the command, wherever it stands."""
    lesser = [severity for severity in Severity if severity < worst]
    for others in permutations(lesser[-3:]):
        for place in range(len(others) + 1):
            say(*others[:place], worst, *others[place:])
            ruling = supervise(view(heat_wanted=wanted, heating=heating), {})
            assert ruling.heat is settle(worst, wanted=wanted, heating=heating)
            assert len(ruling.verdicts) == len(others) + 1


@given(
    said=st.lists(st.sampled_from(list(Severity)), min_size=1, max_size=8),
    wanted=st.booleans(),
    heating=st.booleans(),
    acknowledged=st.sampled_from((NOTHING, EVERYTHING)),
)
def test_no_heat_against_a_trip(
    said: list[Severity], wanted: bool, heating: bool, acknowledged: Acknowledged
) -> None:
    """Whatever else is said, a trip or lockout means no heat, and frost protection comes next."""
    with pytest.MonkeyPatch.context() as patch:
        rules = tuple(saying(severity, f"r{n}") for n, severity in enumerate(said))
        patch.setattr(supervisor, "RULES", rules)
        given_view = view(heat_wanted=wanted, heating=heating)
        ruling = supervise(given_view, {}, acknowledged=acknowledged)
    assert ruling.heat is settle(max(said), wanted=wanted, heating=heating)
    assert {v.rule for v in ruling.verdicts} == {f"r{n}" for n in range(len(said))}


@pytest.mark.parametrize("severity", list(Severity))
def test_the_deciding_verdict_is_named(say: Any, severity: Severity) -> None:
    """A verdict that settled the command is given; a mere warning settles nothing."""
    say(Severity.ALLOW, severity)
    deciding = supervise(view(), {}).deciding
    if severity <= Severity.WARN:
        assert deciding is None
    else:
        assert deciding is not None
        assert deciding.rule == "r1"


def test_every_rule_hears_every_tick(say: Any) -> None:
    """A lockout does not keep the other rules from running and remembering."""
    say(Severity.LOCKOUT, Severity.ALLOW, Severity.TRIP)
    ruling = supervise(view(), {})
    ruling = supervise(view(), ruling.memories)
    assert [memory["heard"] for memory in ruling.memories.values()] == [2.0, 2.0, 2.0]


# --- lockouts -----------------------------------------------------------------------------------


class Day:
    """The real rules, tick after tick, with memories and lockouts carried on."""

    def __init__(self) -> None:
        self.memories: Any = ARMED
        self.latched: frozenset[str] = frozenset()
        self.ruling: Ruling | None = None

    def tick(self, *readings: Any, acknowledged: Acknowledged = NOTHING, **changes: Any) -> Ruling:
        seen = view(*readings, latched=self.latched, **changes)
        ruling = supervise(seen, self.memories, acknowledged=acknowledged)
        self.memories, self.latched = ruling.memories, ruling.latched
        return ruling

    def run(self, seconds: float, *readings: Any, **changes: Any) -> Ruling:
        for _ in range(round(seconds / 10.0)):
            ruling = self.tick(*readings, **changes)
        return ruling


HOT = (slab(41.0), air(14.0))
COLD = (slab(3.0), air(3.0))


def locked_day() -> Day:
    """A day on which a confirmed trip has just locked the heater out."""
    day = Day()
    day.run(70.0, *HOT)
    assert day.latched == LOCKED
    return day


def test_a_lockout_is_final() -> None:
    """Neither time nor a cold slab nor frost lifts a lockout; only the owner does."""
    day = locked_day()
    assert day.run(4 * HOUR_S, *MILD).heat is False
    ruling = day.run(HOUR_S, *COLD)
    assert ruling.heat is False
    assert ruling.deciding is not None
    assert ruling.deciding.rule == "lockout"
    assert ruling.deciding.subject == "slab_over_temperature"
    assert reasons(ruling.verdicts)["frost_protection"] == "cold"


def test_acknowledging_lifts_it_at_once() -> None:
    """With the cause gone, the tick that hears the owner may heat again."""
    day = locked_day()
    day.run(600.0, *MILD)
    ruling = day.tick(*MILD, acknowledged=EVERYTHING)
    assert ruling.heat is True
    assert day.latched == frozenset()
    assert "lockout" not in reasons(ruling.verdicts)
    assert day.tick(*MILD).heat is True


def test_any_rule_may_lock_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever its name, a rule's lockout is kept; the one that tells of lockouts makes none."""
    for rule in RULES:
        name = "".join(list(rule.NAME))  # equal to the rule's own, and another object
        monkeypatch.setattr(supervisor, "RULES", (saying(Severity.LOCKOUT, name),))
        assert supervise(view(), {}).latched == {name} - {"lockout"}


def test_acknowledging_takes_nothing_else_off_the_record(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the lockout lifted its own verdict goes, and those of all other rules stay."""
    names = ["floor_surface", "".join(["lock", "out"]), "stale_reading"]
    rules = tuple(saying(Severity.ALLOW, name) for name in names)
    monkeypatch.setattr(supervisor, "RULES", rules)
    ruling = supervise(view(latched=LOCKED), {}, acknowledged=EVERYTHING)
    assert [v.rule for v in ruling.verdicts] == ["floor_surface", "stale_reading"]


def test_a_ruling_stays_as_it_was_made() -> None:
    """What is recorded is what was ruled: nobody writes heat into it."""
    ruling = Day().tick(*MILD)
    with pytest.raises(FrozenInstanceError):
        ruling.heat = True  # type: ignore[misc]


def test_acknowledging_frees_frost_protection() -> None:
    """After the owner has looked, frost protection heats again."""
    day = locked_day()
    day.run(600.0, *COLD)
    assert day.tick(*COLD, acknowledged=EVERYTHING).heat is True


def test_acknowledging_does_not_silence_a_standing_cause() -> None:
    """While the trip is still confirmed, it locks out again in the same tick."""
    day = locked_day()
    ruling = day.tick(*HOT, acknowledged=EVERYTHING)
    assert ruling.heat is False
    assert day.latched == LOCKED
    assert reasons(ruling.verdicts)["lockout"] == "locked_out"
    assert day.run(600.0, *MILD).heat is False


def test_acknowledging_lifts_only_what_is_over() -> None:
    """Of two lockouts the one whose cause stands stays."""
    welded = sensed(Role.RELAY_STATE, 1.0, subject="boiler")
    day = Day()
    day.run(120.0, slab(41.0), air(14.0), welded)
    assert day.latched == {"slab_over_temperature", "relay_read_back"}
    day.tick(slab(39.0), air(14.0), welded, acknowledged=EVERYTHING)
    assert day.latched == {"relay_read_back"}


def test_acknowledging_an_unconfirmed_trip_buys_nothing() -> None:
    """A trip in its first minute stays, and locks out when its minute is over."""
    day = Day()
    day.run(30.0, *HOT)
    assert day.tick(*HOT, acknowledged=EVERYTHING).heat is False
    day.run(60.0, *HOT)
    assert day.latched == LOCKED


def test_acknowledging_ahead_of_a_lockout_buys_nothing() -> None:
    """An acknowledgement counts for its own tick, not for trips to come."""
    day = Day()
    day.tick(*MILD, acknowledged=EVERYTHING)
    day.run(70.0, *HOT)
    assert day.run(600.0, *MILD).heat is False


def test_acknowledging_is_not_enough_without_a_reading() -> None:
    """With the slab sensor lost since, an acknowledged lockout still gives no planned heat."""
    day = locked_day()
    ruling = day.tick(lost(Role.SLAB), air(14.0), acknowledged=EVERYTHING)
    assert (ruling.heat, day.latched) == (False, frozenset())


def test_lesser_verdicts_never_latch() -> None:
    """A trip that was not confirmed, a stale reading and the rest clear by themselves."""
    day = Day()
    day.run(60.0, *HOT)
    day.run(HOUR_S, slab(14.0), lost(Role.AIR), utc_step_s=3600.0, relay_reachable=False)
    assert day.latched == frozenset()
    assert day.run(120.0, *MILD).heat is True


# --- what beats what, by the real rules ---------------------------------------------------------


@pytest.mark.parametrize(
    "readings",
    [
        (slab(3.0), slab(41.0, sensor="second"), air(3.0)),
        (*COLD, sensed(Role.SUPPLY, 56.0, subject="bay-loop")),
        (*COLD, sensed(Role.RELAY_STATE, 1.0, subject="boiler")),
    ],
    ids=["slab", "supply", "relay on when told off"],
)
def test_frost_protection_never_beats_a_hard_limit(readings: Any) -> None:
    """A hard limit that is exceeded wins at its first tick, unconfirmed, over frost."""
    ruling = Day().tick(*readings)
    assert reasons(ruling.verdicts)["frost_protection"] == "cold"
    assert ruling.heat is False
    assert ruling.deciding is not None
    assert ruling.deciding.severity is Severity.TRIP


@pytest.mark.parametrize(
    ("readings", "changes", "beaten"),
    [
        ((slab(3.0), lost(Role.AIR)), {}, "stale_reading"),
        ((*COLD, lost(Role.SUPPLY, "bay-loop")), {}, "stale_reading"),
        (COLD, {"heat_wanted": False}, "short_cycle"),
        (COLD, {"heating": False, "command_age_s": 0.0}, "short_cycle"),
        (COLD, {"utc_step_s": 7200.0}, "clock_jump"),
        (COLD, {"elapsed_s": 0.0}, "first_run"),
    ],
)
def test_frost_protection_beats_everything_else(
    readings: Any, changes: dict[str, Any], beaten: str
) -> None:
    """Unknown readings, minimum times, the start and the rest give way to frost."""
    ruling = Day().tick(*readings, **changes)
    assert ruling.heat is True
    assert ruling.deciding is not None
    assert ruling.deciding.rule == "frost_protection"
    assert beaten in reasons(ruling.verdicts)


def test_frost_protection_beats_maximum_run() -> None:
    """A cold slab is heated through the rest that is due after twelve hours."""
    day = Day()
    day.memories = {**ARMED, "maximum_run": {"run_s": 13 * HOUR_S, "rested_s": 0.0}}
    ruling = day.tick(*COLD, heating=True)
    assert reasons(ruling.verdicts)["maximum_run"] == "resting"
    assert ruling.heat is True


def test_frost_protection_needs_no_wish() -> None:
    """With nothing booked and nothing planned, a cold slab is heated."""
    assert Day().tick(*COLD, heat_wanted=False).heat is True


def test_a_minimum_time_never_keeps_heat_against_off() -> None:
    """Minimum on time holds against planning alone: a lost reading switches off at once."""
    short = {"heating": True, "heat_wanted": False, "command_age_s": 10.0}
    assert Day().tick(*MILD, **short).heat is True
    assert Day().tick(slab(), lost(Role.AIR), **short).heat is False
    assert Day().tick(*HOT, **short).heat is False


def test_blind_heat_ends_with_its_budget_whatever_is_wished() -> None:
    """Without a slab reading, neither a wish nor a minimum on time outlasts the blind duty."""
    day = Day()
    day.memories = {**ARMED, "frost_protection": {"minute_s": 0.0, "spent_00": 900.0}}
    ruling = day.tick(lost(Role.SLAB), air(3.0), heating=True, command_age_s=10.0)
    assert ruling.heat is False


def test_a_quiet_tick_grants_the_wish() -> None:
    """With nothing to say against it, planning has its way, with all verdicts on record."""
    for wanted in (False, True):
        ruling = Day().tick(*MILD, outdoor(-5.0), heat_wanted=wanted)
        assert ruling.heat is wanted
        assert ruling.deciding is None
        assert [v.rule for v in ruling.verdicts] == [rule.NAME for rule in RULES]


def test_only_lockouts_wait_for_the_owner() -> None:
    """Of everything said on a terrible day, lockouts alone ask for an acknowledgement."""
    day = locked_day()
    ruling = day.tick(*HOT, lost(Role.SUPPLY, "bay-loop"), utc_step_s=9e4, relay_reachable=False)
    for verdict in ruling.verdicts:
        waits = verdict.clears is Clears.ON_ACKNOWLEDGE
        assert waits is (verdict.severity is Severity.LOCKOUT)


CONDITIONS = st.sampled_from(list(Condition))
FITTED = (
    (Role.SLAB, "bay"),
    (Role.AIR, "bay"),
    (Role.SUPPLY, "bay-loop"),
    (Role.OUTDOOR, "outdoor"),
    (Role.RELAY_STATE, "boiler"),
)
SOME_READINGS = st.builds(
    lambda values, conditions: tuple(
        sensed(role, value, subject=subject, condition=condition, age_s=20.0)
        for (role, subject), value, condition in zip(FITTED, values, conditions, strict=True)
    ),
    st.tuples(*[st.floats(-30.0, 60.0)] * 5),
    st.tuples(*[CONDITIONS] * 5),
)
SOME_TICK = st.fixed_dictionaries(
    {
        "elapsed_s": st.sampled_from([0.0, 10.0, 29.0]),
        "utc_step_s": st.sampled_from([0.0, -7200.0]),
        "heat_wanted": st.booleans(),
        "heating": st.booleans(),
        "command_age_s": st.floats(0.0, 1e6),
        "relay_reachable": st.booleans(),
    }
)


@given(ticks=st.lists(st.tuples(SOME_READINGS, SOME_TICK), min_size=1, max_size=12))
def test_heat_always_has_a_right_to_it(ticks: list[tuple[Any, dict[str, Any]]]) -> None:
    """Heat is frost's or wished on trusted readings, and never against a trip or lockout."""
    day = Day()
    for readings, changes in ticks:
        ruling = day.tick(*readings, **changes)
        worst = max(v.severity for v in ruling.verdicts)
        assert changes["relay_reachable"] or not ruling.heat
        if worst >= Severity.TRIP or day.latched:
            assert ruling.heat is False
        elif ruling.heat and worst is not Severity.FROST:
            assert all(s.trusted for s in readings[:3])
            assert changes["heat_wanted"] or changes["heating"]

"""A decision in plain English."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.interlocks import RULES
from controller.local_time import LocalTime
from controller.records.decision import (
    Command,
    Decision,
    Estimate,
    Notice,
    NoticeKind,
    Readback,
    Wish,
)
from controller.records.instant import Instant
from controller.records.plan import Arrival, Block, BlockReason, Plan, Rung, ZoneOutlook
from controller.records.readings import Condition, Sensed
from controller.records.safety import Clears, Severity, Verdict
from controller.records.sessions import Session
from controller.records.site import Role
from controller.sentences import (
    Background,
    explain,
    headline,
    readback_sentence,
    reading_sentence,
    wish_sentence,
)
from controller.verdict_sentences import SEVERITY_WORDS, verdict_sentence

LOCAL = LocalTime("Europe/Oslo")
NOW_S = LOCAL.parse("2026-11-27 21:30", now_s=0.0)
START_S = LOCAL.parse("2026-11-28 09:00", now_s=0.0)
SESSION = Session("sat@2026-11-28", "boat-bay", START_S, START_S + 14_400.0, 20.0)
ARRIVAL = Arrival(SESSION.id, 20.0, 20.1, 19.4, 20.8, reachable=True)
PLAN = Plan(
    id="plan-1",
    heater="boiler",
    made_s=NOW_S - 600.0,
    until_s=NOW_S + 172_800.0,
    blocks=(
        Block(NOW_S - 600.0, NOW_S + 7200.0, True, BlockReason.PREHEAT, SESSION.id),
        Block(NOW_S + 7200.0, NOW_S + 172_800.0, False, BlockReason.COAST_UP, SESSION.id),
    ),
    outlooks=(ZoneOutlook("boat-bay", "bay-7", (), (ARRIVAL,)),),
    sessions=(SESSION,),
)
KNOWN = Background(LOCAL, PLAN)
TRIP = Verdict(
    "slab_over_temperature",
    Severity.TRIP,
    "too_hot",
    Clears.WHEN_CLEAR,
    "bay-slab",
    {"value_c": 41.25, "limit_c": 40.0},
)


def decide(
    reason: BlockReason = BlockReason.PREHEAT,
    *,
    heat: bool = True,
    rung: Rung = Rung.PROGRAMME,
    session: str | None = SESSION.id,
) -> Decision:
    clear = Verdict("lockout", Severity.ALLOW, "clear")
    return Decision(
        at=Instant(NOW_S, 1000.0),
        heater="boiler",
        zones=("boat-bay",),
        version="0.1.0",
        sensed=(Sensed("bay-slab", Role.SLAB, "boat-bay", Condition.FRESH, 9.8, 12.0),),
        estimates=(Estimate("boat-bay", 6.2, 9.8, "bay-7", 20.1, 19.4, 20.8),),
        wish=Wish(heat, rung, reason, session, "plan-1" if rung is Rung.PROGRAMME else None),
        verdicts=(clear,),
        deciding=None,
        command=Command("boiler", heat, 812, NOW_S, 120.0 if heat else 0.0),
    )


STATE = "the slab core is at 9.8 °C, room air 6.2 °C"
BOOKED = "sat@2026-11-28 (Sat 09:00, boat-bay, 20.0 °C)"
ROOM = "is expected to bring the room to 20.1 °C (80 % between 19.4 and 20.8 °C)."


@pytest.mark.parametrize(
    ("reason", "heat", "told"),
    [
        (BlockReason.PREHEAT, True, f"Preheat for {BOOKED}: {STATE}; the planned heat {ROOM}"),
        (
            BlockReason.PREHEAT,
            False,
            f"A pause in the preheat for {BOOKED}: {STATE}; the planned heat {ROOM}",
        ),
        (BlockReason.HOLD, True, f"Heat to hold {BOOKED}: {STATE}."),
        (BlockReason.HOLD, False, f"Warm enough for now to hold {BOOKED}: {STATE}."),
        (
            BlockReason.COAST_UP,
            False,
            f"Coast-up before {BOOKED}, on heat still arriving from the slab: {STATE}; that heat "
            f"{ROOM}",
        ),
        (
            BlockReason.RUN_OUT,
            False,
            f"Run-out of {BOOKED}, the slab carries the room to the end: {STATE}.",
        ),
        (BlockReason.FROST_FLOOR, True, f"Heat for the frost floor, ahead of the cold: {STATE}."),
        (
            BlockReason.IDLE,
            False,
            f"Nothing to do, {BOOKED} needs no heat yet: {STATE}; the plan {ROOM}",
        ),
    ],
)
def test_each_block_reason_has_its_sentence(reason: BlockReason, heat: bool, told: str) -> None:
    """The sentence names the session, the state, and what is expected of a coming session."""
    assert wish_sentence(decide(reason, heat=heat), KNOWN) == told


@pytest.mark.parametrize("reason", list(BlockReason))
@pytest.mark.parametrize("heat", [True, False])
@pytest.mark.parametrize("session", [SESSION.id, "gone@2026-01-01", None])
def test_no_combination_is_without_words(
    reason: BlockReason, heat: bool, session: str | None
) -> None:
    """Long and short sentence exist for every reason, with known, unknown and no session."""
    decision = decide(reason, heat=heat, session=session)
    for told in (wish_sentence(decision, KNOWN), headline(decision, Background(LOCAL))):
        assert told.endswith(".")
        assert "{" not in told
        assert "None" not in told


def test_idle_without_a_session() -> None:
    """Nothing booked: the sentence says no more than the state."""
    assert wish_sentence(decide(BlockReason.IDLE, heat=False, session=None), KNOWN) == (
        f"Nothing to do: {STATE}."
    )


def test_headline_is_short() -> None:
    """The line of a log names session, temperatures and expectation."""
    assert headline(decide(), KNOWN) == (
        "Preheat for sat@2026-11-28 (Sat 09:00): slab 9.8 °C, air 6.2 °C, 20.1 °C expected."
    )


def test_headline_tells_the_deciding_verdict_and_alarms() -> None:
    """A verdict that settled the command comes before the plan; alarms are never left out."""
    alarm = Notice(NoticeKind.PLANNER_FAILED, "The planner failed: out of memory.", alarm=True)
    quiet = Notice(NoticeKind.STARTED, "The service has started.")
    decision = replace(decide(), deciding=TRIP, verdicts=(TRIP,), notices=(quiet, alarm))
    assert headline(decision, KNOWN) == (
        "The slab core (bay-slab) is at 41.2 °C, above its hard limit of 40.0 °C. "
        "The planner failed: out of memory."
    )


def test_unknown_temperatures_are_called_unknown() -> None:
    """An estimate without values makes no number up."""
    decision = replace(decide(), estimates=(Estimate("boat-bay", None, None, ""),))
    assert "the slab core is unknown, room air unknown." in wish_sentence(decision, KNOWN)


def why(decision: Decision, background: Background = KNOWN) -> tuple[str, ...]:
    return explain(decision, None, background)[0].sentences


@pytest.mark.parametrize(
    ("rung", "told"),
    [
        (Rung.PROGRAMME, "It follows timetable plan-1, made Fri 27 Nov 21:20, 10 min before."),
        (Rung.LEAD_TIME, "No valid timetable was there: the guard went by its own sum"),
        (Rung.THERMOSTAT, "Neither a timetable nor a lead time was there: a plain thermostat"),
        (Rung.FROST_ONLY, "There was nothing to plan by: frost protection alone stands by."),
    ],
)
def test_each_rung_has_its_sentence(rung: Rung, told: str) -> None:
    """The link of the fallback chain is told last."""
    assert why(decide(rung=rung))[-1].startswith(told)


def test_plan_that_is_gone_is_told() -> None:
    """A timetable that is no longer stored is still named."""
    assert why(decide(), Background(LOCAL))[-1] == (
        "It follows timetable plan-1, which is not in the store."
    )


def test_what_comes_next_is_told() -> None:
    """The end of the heat while heating, its return or its absence while not."""
    assert "The timetable has heat until Fri 27 Nov 23:30." in why(decide())
    assert "The timetable has no heat until its end, Sun 29 Nov 21:30." in why(
        decide(BlockReason.COAST_UP, heat=False)
    )
    off_first = replace(PLAN, blocks=(replace(PLAN.blocks[1], heat=True),))
    assert "The timetable has the next heat at Fri 27 Nov 23:30." in why(
        decide(BlockReason.IDLE, heat=False), Background(LOCAL, off_first)
    )


@pytest.mark.parametrize(
    ("reached_s", "told"),
    [
        (START_S + 7200.0, "the target would be reached at Sat 28 Nov 11:00."),
        (None, "with this heater the target would not be reached at all."),
    ],
)
def test_target_out_of_reach_is_told(reached_s: float | None, told: str) -> None:
    """What will be reached in time, and when the target would be."""
    arrival = replace(ARRIVAL, air_c=17.0, reachable=False, reached_s=reached_s)
    plan = replace(PLAN, outlooks=(replace(PLAN.outlooks[0], arrivals=(arrival,)),))
    assert why(decide(), Background(LOCAL, plan))[1] == (
        f"Not in time: {BOOKED} will find 17.0 °C (80 % between 19.4 and 20.8 °C); {told}"
    )


def test_overruled_wish_is_told_with_the_ruling() -> None:
    """The verdict, how it ends, and what planning had asked for."""
    decision = replace(decide(), deciding=TRIP, verdicts=(TRIP,))
    assert why(decision)[:2] == (
        "The slab core (bay-slab) is at 41.2 °C, above its hard limit of 40.0 °C. It ends by "
        "itself once this is over.",
        f"Planning had asked for heat. Preheat for {BOOKED}: {STATE}; the planned heat {ROOM}",
    )


@pytest.mark.parametrize("severity", list(Severity))
def test_each_severity_is_told(severity: Severity) -> None:
    """Every verdict is listed with its weight, the weightiest first."""
    verdict = replace(TRIP, severity=severity)
    decision = replace(decide(), verdicts=(Verdict("lockout", Severity.ALLOW, "clear"), verdict))
    titles = {s.title: s.sentences for s in explain(decision, None, KNOWN)}
    listed = titles["Interlocks, the weightiest first"]
    place = 1 if severity is Severity.ALLOW else 0
    assert listed[place].startswith(f"slab over temperature [{SEVERITY_WORDS[severity]}]: ")
    assert len(listed) == 2


@pytest.mark.parametrize("clears", list(Clears))
def test_each_way_to_clear_is_told(clears: Clears) -> None:
    """What ends a ruling is part of it; only nothing to clear adds nothing."""
    decision = replace(decide(), deciding=replace(TRIP, clears=clears))
    told = why(decision)[0]
    assert ("It ends" in told) == (clears is not Clears.NOTHING_TO_CLEAR)


@pytest.mark.parametrize(
    ("verdict", "told"),
    [
        (
            Verdict("new_rule", Severity.OFF, "too_fast", subject="bay-air"),
            "New rule: too fast (bay-air).",
        ),
        (
            Verdict(
                "new_rule",
                Severity.OFF,
                "odd",
                values={"air_c": 6.25, "age_s": 90.0, "rise_k": 2.0, "sun_w_m2": 5.0, "n": 3.0},
            ),
            "New rule: odd (air 6.2 °C; age 2 min; rise 2.0 K; sun 5.0 W/m²; n 3).",
        ),
        (replace(TRIP, values=None), "Slab over temperature: too hot (bay-slab)."),
        (
            replace(TRIP, values={"value_c": float("nan")}),
            "Slab over temperature: too hot (bay-slab; value nan °C).",
        ),
        (Verdict("new_rule", Severity.OFF, "late", values={"in_s": float("inf")}), None),
        (Verdict("", Severity.OFF, ""), None),
    ],
)
def test_verdict_without_a_fitting_sentence_is_still_told(
    verdict: Verdict, told: str | None
) -> None:
    """Unknown rule or code, missing or odd values: the code and the values are told."""
    sentence = verdict_sentence(verdict)
    assert sentence.endswith(".")
    if told is not None:
        assert sentence == told


@pytest.mark.parametrize("template", ["{", "{0}", "{value_c.x}", "{value_c:d}", "{value_c[0]}"])
def test_faulty_template_does_no_harm(template: str) -> None:
    """A template that cannot be filled falls back instead of raising."""
    told = verdict_sentence(TRIP, {"slab_over_temperature": {"too_hot": template}})
    assert told == "Slab over temperature: too hot (bay-slab; value 41.2 °C; limit 40.0 °C)."


def test_every_rule_has_sentences() -> None:
    """Each rule in the list gives sentences that start and end as such."""
    for rule in RULES:
        assert rule.SENTENCES
        for sentence in rule.SENTENCES.values():
            assert sentence[0].isupper() or sentence.startswith("{subject}")
            assert sentence.endswith(".")


@pytest.mark.parametrize(
    ("sensed", "told"),
    [
        (
            Sensed("bay-slab", Role.SLAB, "boat-bay", Condition.FRESH, 9.84, 12.0),
            "slab of boat-bay (bay-slab): 9.8 °C, 12 s old, fresh.",
        ),
        (
            Sensed("yard", Role.OUTDOOR, "outdoor", Condition.STALE, -3.0, 900.0),
            "outdoor (yard): -3.0 °C, 15 min old, stale: counts as unknown.",
        ),
        (
            Sensed("bay-air", Role.AIR, "boat-bay", Condition.MISSING),
            "air of boat-bay (bay-air): nothing received since the service started.",
        ),
        (
            Sensed("bay-air", Role.AIR, "boat-bay", Condition.UNKNOWN_AGE, 20.0),
            "air of boat-bay (bay-air): 20.0 °C, unknown age: counts as unknown.",
        ),
        (
            Sensed("gauge", Role.PRESSURE, "loop-a", Condition.FRESH, 1.234, 1.0),
            "pressure of loop-a (gauge): 1.23 bar, 1 s old, fresh.",
        ),
        (
            Sensed("coil", Role.RELAY_STATE, "boiler", Condition.FRESH, 1.0, 1.0),
            "relay state of boiler (coil): ON, 1 s old, fresh.",
        ),
    ],
)
def test_readings(sensed: Sensed, told: str) -> None:
    """Value with its unit, age, and whether it counts."""
    assert reading_sentence(sensed) == told


@pytest.mark.parametrize(
    ("readback", "told"),
    [
        (None, "None was recorded."),
        (
            Readback(812, NOW_S + 2.0, heat=True, agrees=True),
            "The relay reported ON at 2026-11-27 21:30:02, as it was told.",
        ),
        (
            Readback(812, NOW_S + 60.0, heat=False, agrees=False),
            "The relay reported OFF at 2026-11-27 21:31:00, which is not what it was told.",
        ),
        (
            Readback(812, NOW_S + 60.0, heat=None, agrees=None),
            "The relay said nothing of its state by 2026-11-27 21:31:00.",
        ),
        (
            Readback(812, NOW_S + 2.0, heat=True, agrees=None),
            "The relay reported ON at 2026-11-27 21:30:02, which could not be compared with the "
            "command.",
        ),
        (
            Readback(800, NOW_S - 60.0, heat=True, agrees=True),
            "The relay reported ON at 2026-11-27 21:29:00, as it was told.",
        ),
        (
            Readback(800, NOW_S - 60.0, heat=False, agrees=True),
            "The relay reported OFF at 2026-11-27 21:29:00, before this command; none was "
            "recorded for it.",
        ),
    ],
)
def test_read_backs(readback: Readback | None, told: str) -> None:
    """What the relay said, also where it answered the command that this one renews."""
    command = Command("boiler", True, 812, NOW_S, 120.0)
    assert readback_sentence(readback, command, LOCAL) == told


def test_explanation_holds_everything() -> None:
    """Readings, estimate, interlocks, command with its lease, read-back; no empty section."""
    sections = {s.title: s.sentences for s in explain(decide(), None, KNOWN)}
    assert list(sections) == [
        "Why",
        "Readings",
        "Estimate",
        "Interlocks, the weightiest first",
        "Command",
        "Read-back",
    ]
    assert sections["Command"] == (
        "ON, sequence 812, issued 2026-11-27 21:30:00; unless renewed, the relay drops out by "
        "itself 2 min later.",
    )
    assert "parameter set bay-7" in sections["Estimate"][0]

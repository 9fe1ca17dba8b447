"""Old rows are made fewer: every change stays, and nobody who looks back is told otherwise."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from controller.records.decision import Decision, HeaterState, Notice, NoticeKind
from controller.records.plan import BlockReason, Plan
from controller.records.readings import Quality, Reading
from controller.store import Reader, Writer
from controller.store.condensing import COARSE_DAYS, FULL_DAYS, READINGS_DAYS
from tests.controller.builders import make_plan
from tests.controller.store.crash import is_whole

MakeDecision = Callable[..., Decision]
DAY_S = 86_400.0
START_S = 1_764_028_800.0
"""A whole number of quarters of an hour, as every start of a span [s UTC]."""


def condense_all(writer: Writer, now_s: float) -> int:
    steps = 0
    while writer.condense(now_s):
        steps += 1
        assert steps < 2000
    return steps


def varied(decide: MakeDecision, hours: float, *, seed: int) -> list[Decision]:
    """Hours of rows a minute apart, with changes of every kind and gaps of a dead service."""
    chance, at_s, made = random.Random(seed), START_S, []
    heat, session, plan, notices, severity = False, "sat", "plan-0", (), 0
    while at_s < START_S + hours * 3600.0:
        if chance.random() < 0.04:
            heat = not heat
        if chance.random() < 0.02:
            session = chance.choice(("sat", "sun", "tue"))
        if chance.random() < 0.06:
            plan = f"plan-{len(made)}"
        alarm = Notice(NoticeKind.PLANNER_FAILED, "It failed.", alarm=True)
        notices = (alarm,) if chance.random() < 0.01 else ()
        decision = decide(at_s, heat=heat, sequence=len(made) + 1)
        wish = replace(decision.wish, heat=heat, session=session, plan=plan)
        if chance.random() < 0.02:
            severity = 1 - severity
        verdicts = decision.verdicts[severity:]
        made.append(replace(decision, wish=wish, notices=notices, verdicts=verdicts, deciding=None))
        at_s += 60.0 if chance.random() < 0.98 else chance.uniform(200.0, 7200.0)
    return made


def gist(decision: Decision | None) -> object:
    """What must not be lost of any row."""
    if decision is None:
        return None
    wish = replace(decision.wish, plan=None)
    verdicts = {(v.rule, v.severity, v.reason) for v in decision.verdicts}
    return decision.command.heat, wish, frozenset(verdicts), decision.notices


def heat_within(reader: Reader, since_s: float) -> list[tuple[float, bool]]:
    """Changes of heat in a span; the one in force at its start counts from there."""
    found = reader.heating("boiler", since_s, since_s + 5000.0)
    return [(max(at_s, since_s), heat) for at_s, heat in found]


def store(writer: Writer, decisions: Sequence[Decision]) -> None:
    writer._connection.execute("PRAGMA synchronous = OFF")  # nobody pulls the plug here
    for decision in decisions:
        writer.add_decision(decision, HeaterState(decision.command.sequence))


@pytest.mark.parametrize("days", [FULL_DAYS, COARSE_DAYS])
@pytest.mark.parametrize("seed", range(2))
def test_every_change_stays(
    writer: Writer, reader: Reader, decide: MakeDecision, days: int, seed: int
) -> None:
    """At each minute the decision in force says the same as before, and heat was on as before."""
    made = varied(decide, 15.0, seed=seed)
    store(writer, made)
    moments = [START_S + 61.0 * k for k in range(15 * 59)]
    before = [gist(reader.decision_at(at_s)) for at_s in moments]
    heating = reader.heating("boiler", 0.0, 1e11)
    within = [heat_within(reader, since_s) for since_s in moments[::40]]
    now_s = made[-1].at.utc_s + (days + 1) * DAY_S
    assert condense_all(writer, now_s) > 4
    assert [gist(reader.decision_at(at_s)) for at_s in moments] == before
    assert reader.heating("boiler", 0.0, 1e11) == heating
    assert [heat_within(reader, since_s) for since_s in moments[::40]] == within
    kept = reader.decisions(0.0, 1e11)
    assert len(kept) < (0.5 if days == FULL_DAYS else 0.45) * len(made)
    assert sum(1 + (d.repeated.count if d.repeated else 0) for d in kept) == len(made)
    assert condense_all(writer, now_s) == 0


def test_an_idle_day_is_a_row_a_quarter_then_one(
    writer: Writer, reader: Reader, decide: MakeDecision
) -> None:
    """1440 equal rows become 96, and when they are old 2: no run stands for more than a day."""
    store(writer, [decide(START_S + 60.0 * k, heat=False) for k in range(1440)])
    condense_all(writer, START_S + (FULL_DAYS + 2) * DAY_S)
    quarters = reader.decisions(0.0, 1e11)
    assert [d.at.utc_s for d in quarters] == [START_S + 900.0 * k for k in range(96)]
    assert {d.repeated.count if d.repeated else 0 for d in quarters} == {14}
    condense_all(writer, START_S + (COARSE_DAYS + 2) * DAY_S)
    (day,) = reader.decisions(0.0, 1e11)
    assert day.repeated is not None
    assert day.repeated.count == 1439
    assert day.last_s == START_S + 1439 * 60.0


def test_what_is_not_old_is_not_touched(
    writer: Writer, reader: Reader, decide: MakeDecision
) -> None:
    """Full detail for sixty days, to the row."""
    made = [decide(START_S + 60.0 * k, heat=False) for k in range(400)]
    store(writer, made)
    assert condense_all(writer, START_S + FULL_DAYS * DAY_S) == 0
    assert reader.decisions(0.0, 1e11) == made


def test_a_span_shows_what_began_before_it(
    writer: Writer, reader: Reader, decide: MakeDecision
) -> None:
    """A folded row belongs to every span in which it was still decided."""
    store(writer, [decide(START_S + 60.0 * k) for k in range(600)])
    condense_all(writer, START_S + (COARSE_DAYS + 2) * DAY_S)
    assert len(reader.decisions(START_S + 18_000.0, START_S + 20_000.0)) == 1
    assert reader.decisions(START_S + 36_100.0, START_S + 40_000.0) == []


def test_heaters_are_folded_each_by_itself(
    writer: Writer, reader: Reader, decide: MakeDecision
) -> None:
    """Rows of two heaters that alternate are runs of two."""
    for k in range(180):
        store(writer, [decide(START_S + 60.0 * k, heater=h) for h in ("boiler", "kiln")])
    condense_all(writer, START_S + (FULL_DAYS + 2) * DAY_S)
    for heater in ("boiler", "kiln"):
        assert len(reader.decisions(0.0, 1e11, heater=heater)) == 12


def test_old_plans_go_with_the_decisions_that_named_them(
    writer: Writer, reader: Reader, decide: MakeDecision
) -> None:
    """A plan to which a kept row refers stays; the others of its time go."""
    for k in range(12):
        plan: Plan = replace(make_plan(made_s=START_S + 900.0 * k), id=f"plan-{k}")
        writer.add_plan(plan)
    rows = [decide(START_S + 60.0 * k) for k in range(180)]
    named = [
        replace(d, wish=replace(d.wish, plan=f"plan-{n // 15}", reason=BlockReason.PREHEAT))
        for n, d in enumerate(rows)
    ]
    store(writer, named)
    condense_all(writer, START_S + (COARSE_DAYS + 3) * DAY_S)
    assert reader.plan("plan-0") is not None
    assert [k for k in range(1, 12) if reader.plan(f"plan-{k}") is not None] == []


# --- readings -----------------------------------------------------------------------------------


def test_old_readings_become_quarters(
    writer: Writer, reader: Reader, reading: Callable[..., Reading]
) -> None:
    """Mean, least, greatest and counts by slot; the mean is what is read back, at its middle."""
    values = [10.0 + k % 7 for k in range(30)]
    made = [reading(START_S + 60.0 * k, value) for k, value in enumerate(values)]
    made.append(reading(START_S + 61.0, 99.0, quality=Quality.IMPLAUSIBLE))
    writer.add_readings(made)
    condense_all(writer, START_S + (READINGS_DAYS + 1) * DAY_S)
    means = [sum(values[:15]) / 15, sum(values[15:]) / 15]
    assert reader.samples("bay-air", 0.0, 1e11) == [
        (START_S + 450.0, pytest.approx(means[0])),
        (START_S + 1350.0, pytest.approx(means[1])),
    ]
    assert reader.span_s("bay-air", 0.0, 1e11) == (START_S + 450.0, START_S + 1350.0)
    assert reader.span_s("bay-air", START_S + 451.0, START_S + 1350.0) is None
    found = writer._connection.execute("SELECT least, greatest, good, others FROM rolled")
    assert found.fetchall() == [(10.0, 16.0, 15, 1), (10.0, 16.0, 15, 0)]
    assert writer._connection.execute("SELECT count(*) FROM reading").fetchone() == (0,)


def test_old_and_new_readings_are_one_history(
    writer: Writer, reader: Reader, reading: Callable[..., Reading]
) -> None:
    """Means, then the readings themselves; one that comes in late finds its place."""
    writer.add_readings([reading(START_S + 60.0 * k, 5.0) for k in range(2880)])
    condense_all(writer, START_S + (READINGS_DAYS + 1) * DAY_S)
    writer.add_readings([reading(START_S + 100.0, 7.0)])
    times = [at_s for at_s, _ in reader.samples("bay-air", 0.0, 1e11)]
    assert times == sorted(times)
    assert len(times) == 96 + 1440 + 1
    assert reader.span_s("bay-air", 0.0, 1e11) == (START_S + 100.0, START_S + 2879 * 60.0)


def test_an_imported_log_is_left(
    writer: Writer, reader: Reader, reading: Callable[..., Reading]
) -> None:
    """The same file may be imported again, and must be found to be there."""
    log = [reading(START_S + 300.0 * k, 5.0, sensor="air@bay") for k in range(400)]
    writer.add_imported(log, in_place_of={})
    assert condense_all(writer, START_S + 4000 * DAY_S) == 0
    assert len(reader.samples("air@bay", 0.0, 1e11)) == 400


# --- kills --------------------------------------------------------------------------------------

CONDENSER = """
import os, sys
from pathlib import Path
from controller.store import open_writer

writer = open_writer(Path(sys.argv[1]))
writer._connection.execute("PRAGMA wal_autocheckpoint = 20")
while writer.condense(float(sys.argv[2])):
    os.write(1, b"step\\n")
"""


def test_a_kill_between_any_two_steps_or_within_one_loses_nothing(
    writer: Writer, reader: Reader, decide: MakeDecision, folder: Path
) -> None:
    """Killed again and again, condensing ends where it would have ended without a kill."""
    made = varied(decide, 45.0, seed=5)
    store(writer, made)
    heating = reader.heating("boiler", 0.0, 1e11)
    now_s = made[-1].at.utc_s + (COARSE_DAYS + 2) * DAY_S
    chance, kills = random.Random(9), 0
    while True:
        command = [sys.executable, "-c", CONDENSER, str(folder), str(now_s)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            for _ in range(chance.randint(1, 8)):
                process.stdout.readline()
            os.kill(process.pid, signal.SIGKILL)
        kills += process.returncode == -signal.SIGKILL
        kept = reader.decisions(0.0, 1e11)
        assert sum(1 + (d.repeated.count if d.repeated else 0) for d in kept) == len(made)
        if process.returncode == 0:
            break
    assert kills >= 3
    assert reader.heating("boiler", 0.0, 1e11) == heating
    assert is_whole(folder)
    with closing(sqlite3.connect(folder / "slabtide.db")) as raw:
        orphans = "SELECT count(*) FROM folded WHERE decision NOT IN (SELECT id FROM decision)"
        assert raw.execute(orphans).fetchone() == (0,)

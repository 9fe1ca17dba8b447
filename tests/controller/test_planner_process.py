"""The planner's child, by real processes: it may do anything, the guard gets an answer or a reason.

Each test puts a tiny script in the place of the Python that runs the child.
"""

from __future__ import annotations

import gc
import json
import os
import select
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.clock import SteppedClock, SystemClock
from controller.codec import to_plain
from controller.lockstep import wait_for
from controller.planner_process import (
    LEARN_TIME_S,
    PLAN_TIME_S,
    Answer,
    Errand,
    PlannerFailure,
    PlannerProcess,
)
from controller.records.errands import LearnAnswer, LearnErrand, Learnt, PlanAnswer, PlanErrand
from controller.records.instant import Instant
from controller.records.limits import Limits
from tests.controller.builders import START_S, make_parameters, make_plan, make_session, make_site

ROOT = Path(__file__).parents[2]
PLAN = PlanErrand(make_site(), Limits(), "boiler", (make_session(),), (), False, START_S)
LEARN = LearnErrand(make_site(), (make_parameters(),), START_S)
PLAN_ANSWER = PlanAnswer(make_plan())
LEARN_ANSWER = LearnAnswer((Learnt(make_parameters(), True, "better"),))

Child = Callable[[str], PlannerProcess]


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock(Instant(START_S, 100.0))


@pytest.fixture
def child(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, clock: SteppedClock) -> Iterator[Child]:
    """Give a planner process whose child is a few lines of Python."""
    made: list[PlannerProcess] = []

    def make(lines: str) -> PlannerProcess:
        script = tmp_path / "python"
        code = tmp_path / "child.py"
        code.write_text(f"import json, os, sys, time\n{lines}\n")
        script.write_text(f'#!/bin/sh\nexec "{sys.executable}" "{code}" "$@"\n')
        script.chmod(0o700)
        monkeypatch.setattr("controller.planner_process.sys.executable", str(script))
        made.append(PlannerProcess(tmp_path / "store", clock))
        return made[-1]

    yield make
    for process in made:
        process.stop()


def ended(process: PlannerProcess) -> Answer | PlannerFailure:
    """The outcome of a child that ends by itself."""
    found: list[Answer | PlannerFailure] = []

    def look() -> bool:
        outcome = process.poll()
        found.extend([] if outcome is None else [outcome])
        return bool(found)

    assert wait_for(look, SystemClock(), seconds=30.0)
    return found[0]


def answering(answer: object) -> str:
    text = json.dumps({"answer": "x", "body": to_plain(answer)})
    return f"print({text!r})"


# --- answers ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("errand", "answer"), [(PLAN, PLAN_ANSWER), (LEARN, LEARN_ANSWER)])
def test_a_good_answer_comes_through(child: Child, errand: Errand, answer: Answer) -> None:
    """The child's answer is rebuilt as the record that belongs to the errand."""
    process = child(answering(answer))
    process.start(errand)
    assert process.errand == errand
    assert ended(process) == answer
    assert process.errand is None
    assert process.poll() is None


@pytest.mark.parametrize(("errand", "kind"), [(PLAN, "plan"), (LEARN, "learn")])
def test_the_child_gets_its_errand(child: Child, tmp_path: Path, errand: Errand, kind: str) -> None:
    """The whole errand stands on its standard input, the store's folder is its argument."""
    out = tmp_path / "seen.json"
    process = child(
        f"open({str(out)!r}, 'w').write(json.dumps([sys.argv[1:], json.load(sys.stdin)]))\n"
        + answering(PLAN_ANSWER)
    )
    process.start(errand)
    ended(process)
    arguments, request = json.loads(out.read_text())
    folder, guard = str(tmp_path / "store"), str(os.getpid())
    assert arguments == ["-m", "controller.planning.child", folder, guard]
    assert request == {"errand": kind, "body": json.loads(json.dumps(to_plain(errand)))}


def test_much_output_on_both_sides_blocks_nobody(child: Child) -> None:
    """A child that writes far more than a pipe holds still ends, and its answer is read."""
    process = child("sys.stderr.write('x' * 10**6)\n" + answering(PLAN_ANSWER))
    process.start(PLAN)
    assert ended(process) == PLAN_ANSWER


# --- failures -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "reason"),
    [
        ("sys.exit('no history at all')", "ended with code 1: no history at all"),
        ("sys.exit(3)", "ended with code 3: it said nothing"),
        ("os.kill(os.getpid(), 9)", "ended with code -9"),
        ("raise ValueError('absurd')", "ValueError: absurd"),
        ("sys.stderr.write('far away\\n' * 10**5); sys.exit('the last word')", "the last word"),
        ("sys.stderr.buffer.write(b'\\xff\\xfe'); sys.exit(1)", "ended with code 1"),
        ("", "makes no sense"),
        ("print('what?')", "makes no sense"),
        ("sys.stdout.buffer.write(b'\\xff')", "makes no sense"),
        ("print('[]')", "makes no sense"),
        ("print('{}')", "makes no sense"),
        ("print('null')", "makes no sense"),
        ("print('{\"body\": {}}')", "makes no sense"),
        ('print(\'{"body": {"plan": 3}}\')', "makes no sense"),
        ("print('[' * 10**5)", "makes no sense"),
        ("print('{\"body\": {\"plan\": {\"made_s\": 1' + '0' * 400 + '}}}')", "makes no sense"),
        ("sys.stdout.write('x' * (16 * 1024 * 1024 + 1))", "too long"),
        (answering(LEARN_ANSWER), "makes no sense"),
        # right as far as it goes, then killed
        (answering(PLAN_ANSWER) + "; sys.stdout.flush(); os.abort()", "ended with code -6"),
    ],
)
def test_whatever_goes_wrong_has_a_reason(child: Child, lines: str, reason: str) -> None:
    """Crashes, nonsense and floods are a failure in words, and the next errand may start."""
    process = child(lines)
    process.start(PLAN)
    outcome = ended(process)
    assert isinstance(outcome, PlannerFailure)
    assert reason in outcome.reason
    assert len(outcome.reason) < 2500
    assert process.errand is None
    process.start(LEARN)


@pytest.mark.parametrize(("errand", "limit_s"), [(PLAN, PLAN_TIME_S), (LEARN, LEARN_TIME_S)])
def test_a_child_that_hangs_is_ended(
    child: Child, clock: SteppedClock, tmp_path: Path, errand: Errand, limit_s: float
) -> None:
    """At its limit, and not before, a child is killed, whatever it does about signals."""
    pid_file = tmp_path / "pid"
    process = child(
        "import signal; signal.signal(15, signal.SIG_IGN)\n"
        f"open({str(tmp_path / 'draft')!r}, 'w').write(str(os.getpid()))\n"
        f"os.rename({str(tmp_path / 'draft')!r}, {str(pid_file)!r})\n"
        "time.sleep(60)"
    )
    process.start(errand)
    assert wait_for(pid_file.exists, SystemClock(), seconds=30.0)
    clock.advance(limit_s - 0.1)
    assert process.poll() is None
    clock.advance(0.1)
    assert process.poll() == PlannerFailure("the planner took too long and was ended")
    assert process.errand is None
    with pytest.raises(ProcessLookupError):
        os.kill(int(pid_file.read_text()), 0)


def test_a_stop_ends_the_child(child: Child) -> None:
    """A clean stop of the service leaves no child behind."""
    process = child("time.sleep(60)")
    process.start(PLAN)
    process.stop()
    assert process.errand is None
    assert process.poll() is None


def test_one_child_at_a_time(child: Child) -> None:
    """A second errand while one is under way is a fault of the caller."""
    process = child("time.sleep(60)")
    process.start(PLAN)
    with pytest.raises(RuntimeError, match="under way"):
        process.start(LEARN)
    assert process.errand == PLAN


@pytest.mark.filterwarnings("error")  # a file left open is told as a warning, when it is collected
def test_a_child_that_cannot_be_started_leaves_nothing_behind(child: Child, tmp_path: Path) -> None:
    """Where the program is not to be had, the caller hears of it and may try again."""
    process = child(answering(PLAN_ANSWER))
    (tmp_path / "python").chmod(0o600)
    with pytest.raises(OSError, match="ermission"):
        process.start(PLAN)
    gc.collect()
    assert process.errand is None
    (tmp_path / "python").chmod(0o700)
    process.start(PLAN)
    assert ended(process) == PLAN_ANSWER


def test_waiting_gives_the_answer(
    child: Child, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A paced clock waits for the child, and gets what polling would have got."""
    child("time.sleep(0.2)\n" + answering(PLAN_ANSWER))
    process = PlannerProcess(tmp_path / "store", SystemClock())
    assert process.wait() is None
    process.start(PLAN)
    assert process.wait() == PLAN_ANSWER


def test_waiting_has_the_same_limit(
    child: Child, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who waits for a child that hangs waits no longer than its limit."""
    monkeypatch.setattr("controller.planner_process.PLAN_TIME_S", 0.3)
    child("time.sleep(60)")
    process = PlannerProcess(tmp_path / "store", SystemClock())
    process.start(PLAN)
    assert process.wait() == PlannerFailure("the planner took too long and was ended")


# --- the guard is gone --------------------------------------------------------------------------

GUARD = """
import sys
from pathlib import Path
from controller.clock import SystemClock
from controller.planner_process import PlannerProcess
from tests.controller.test_planner_process import PLAN

sys.executable, folder = sys.argv[1:]
process = PlannerProcess(Path(folder), SystemClock())
process.start(PLAN)
print(process._child.process.pid, flush=True)
sys.stdin.read()
"""

AT_WORK = """
from pathlib import Path
from controller.planning import child
def work(body, folder):
    Path(folder, "working").touch()
    time.sleep(3600)
child._plan = work
sys.exit(child.main(sys.argv[3:]))
"""
"""The real child, which takes an hour for a plan."""


@pytest.mark.skipif(sys.platform != "linux", reason="prctl and pidfd are Linux's")
def test_a_killed_guard_leaves_no_child(child: Child, tmp_path: Path) -> None:
    """The child ends with a guard that had no time to end it, in the middle of its work."""
    python = sys.executable
    child(f"sys.path.insert(0, {str(ROOT)!r})\n{AT_WORK}")
    command = [python, "-c", GUARD, str(tmp_path / "python"), str(tmp_path)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT
    ) as guard:
        assert guard.stdout is not None
        at_work = os.pidfd_open(int(guard.stdout.readline()))
        try:
            assert wait_for((tmp_path / "working").exists, SystemClock(), seconds=30.0)
            assert not select.select([at_work], [], [], 0.0)[0]
            guard.kill()
            assert select.select([at_work], [], [], 30.0)[0]
        finally:
            signal.pidfd_send_signal(at_work, signal.SIGKILL)
            os.close(at_work)

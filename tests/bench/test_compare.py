"""The comparison runs by one command, goes on where it was broken off, and shows what it found."""

import json
import re
import signal
import subprocess
import sys
import time
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from controller.records.errands import PlanErrand
from controller.records.plan import Arrival, Block, BlockReason, Plan, ZoneOutlook
from controller.rehearsal.memory import Memory
from controller.rehearsal.others import METHODS, FixedStart
from tests.bench import compare
from tests.bench.jobs import (
    FORESIGHT,
    OWN,
    ROOT,
    TRUE_MODEL,
    Job,
    Season,
    all_methods,
    family,
    jobs_of,
    version_of_sources,
)
from tests.bench.labels import Box, Labels
from tests.bench.made_up import held, served
from tests.bench.picture import as_svg
from tests.bench.runs import Commitments
from tests.bench.served import Served, read, write
from tests.bench.table import as_markdown

SEASON = Season("heavy", "hamburg", 1, 20)
OTHER = Season("thin", "hamburg", 2, 20)


def _results() -> dict[Job, Served]:
    """A season with foresight, slabtide at two asked readinesses, and a fixed start."""
    ready = served([held("a"), held("b")], reachable=["a", "b"])
    late = served([held("a", start_c=15.0), held("b")], day_kwh=10.5)
    return {
        Job(SEASON, FORESIGHT): ready,
        Job(SEASON, OWN, True, 80.0): late,
        Job(SEASON, OWN, True, 95.0): replace(late, energy_kwh=(10.7,) * 20),
        Job(SEASON, OWN, False, 95.0): replace(ready, energy_kwh=(12.0,) * 20),
        Job(SEASON, family(FixedStart), False, 36.0): replace(ready, energy_kwh=(20.0,) * 20),
    }


def test_jobs_begin_with_foresight_and_keep_apart() -> None:
    """Each season starts with foresight; no two jobs share a file."""
    jobs = jobs_of([SEASON, OTHER], all_methods(), with_curve=True, all_margins=True)
    assert [job.season for job in jobs if job.method == FORESIGHT] == [SEASON, OTHER]
    assert jobs[0].method == FORESIGHT
    assert len({job.key for job in jobs}) == len(jobs)
    assert {job.method for job in jobs} == {FORESIGHT, OWN, TRUE_MODEL, *map(family, METHODS)}


def test_keys_can_name_files() -> None:
    """Keys hold nothing that a file name must not."""
    jobs = jobs_of([SEASON], all_methods(), with_curve=True, all_margins=True)
    assert all(re.fullmatch(r"[a-z0-9.+-]+", job.key) for job in jobs)


def test_other_methods_do_not_depend_on_planning() -> None:
    """Planned methods go by more sources than foresight and the others."""
    version = version_of_sources()
    plain = version(Job(SEASON, family(FixedStart), False, 36.0))
    assert version(Job(SEASON, FORESIGHT)) == plain
    assert version(Job(SEASON, OWN, True, 95.0)) == version(Job(SEASON, TRUE_MODEL, True, 1.0))
    assert version(Job(SEASON, OWN, True, 95.0)) != plain


def test_result_comes_back_from_its_file(tmp_path: Path) -> None:
    """What is written is read again, and a missing file is no result."""
    run = served([held("a", ahead=(18.0, 20.0))], reachable=["a"], coldest_c=(5.0, None))
    write(run, tmp_path / "run.json")
    assert read(tmp_path / "run.json") == run
    assert read(tmp_path / "none.json") is None
    assert [path.name for path in tmp_path.iterdir()] == ["run.json"]


def test_foreign_file_is_named(tmp_path: Path) -> None:
    """A file that holds something else is refused with its name."""
    (tmp_path / "run.json").write_text('{"a": 1}')
    with pytest.raises(ValueError, match=r"run\.json: not a result"):
        read(tmp_path / "run.json")


def _plan(made_s: float, air_c: float, *, heat: bool) -> Plan:
    reason = BlockReason.PREHEAT if heat else BlockReason.IDLE
    block = Block(made_s, made_s + 3600.0, heat, reason, "a" if heat else None)
    arrivals = tuple(Arrival(name, 19.0, air_c, 18.0, 20.0, True) for name in ("a", "b"))
    return Plan("p", "h", made_s, made_s + 7200.0, (block,), (ZoneOutlook("z", "s", (), arrivals),))


def test_commitment_is_the_first_plan_with_preheat_under_way() -> None:
    """Plans before preheat and later ones of it do not count, nor do other sessions."""
    plans = iter([
        _plan(0.0, 1.0, heat=False), _plan(10.0, 2.0, heat=True), _plan(20.0, 3.0, heat=True),
    ])  # fmt: skip
    errand = PlanErrand(None, None, "h", (), (), False, 0.0)
    commitments = Commitments(lambda errand, source: next(plans))
    for _ in range(3):
        commitments.plan(errand, Memory())
    assert {name: p.air_c for name, p in commitments.expected.items()} == {"a": 2.0}


def test_table_marks_what_misses_its_target() -> None:
    """Ready by half is bold, energy of 1.07 is not; the building's row is bold too."""
    table = as_markdown(_results(), [SEASON])
    (ready,) = [line for line in table.splitlines() if line.startswith("| sessions ready")]
    assert [cell.strip() for cell in ready.split("|")[2:6]] == [
        "**50.0 %**", "≥ 97.0 %", "100.0 %", "≥ 95.0 %",
    ]  # fmt: skip
    (energy,) = [line for line in table.splitlines() if line.startswith("| energy against perf")]
    assert [cell.strip() for cell in energy.split("|")[2:6]] == [
        "1.070", "≤ 1.080", "**1.200**", "≤ 1.100",
    ]  # fmt: skip
    (building,) = [line for line in table.splitlines() if line.startswith("| heavy, hamburg 1")]
    assert "**50.0 %**" in building
    assert "| fixed start" in table


def test_table_stands_without_results() -> None:
    """With nothing run there are figures for nothing, and no failure."""
    assert "–" in as_markdown({}, [SEASON])


def test_picture_draws_every_point_and_names_every_curve() -> None:
    """Dots of all methods lie left, those near foresight right as well; it is sound XML."""
    root = ElementTree.fromstring(as_svg(_results(), [SEASON]))
    name = "{http://www.w3.org/2000/svg}"
    texts = {text.text for text in root.iter(f"{name}text")}
    assert {"perfect foresight", "slabtide", "fixed start", "slabtide, no forecast"} <= texts
    # five runs on the left; on the right foresight and slabtide without a forecast
    assert len(list(root.iter(f"{name}circle"))) == 5 + 2
    assert ElementTree.fromstring(as_svg({}, [SEASON])).tag == f"{name}svg"


def test_labels_keep_clear_of_dots_and_each_other() -> None:
    """Two labels for one point take different lines, and none leaves the room."""
    labels = Labels(Box(0.0, 0.0, 100.0, 100.0))
    labels.keep_free(95.0, 50.0)
    first, second = (labels.place("name", [(95.0, 50.0)]) for _ in range(2))
    assert first.anchor == second.anchor == "end"
    assert abs(first.y - second.y) >= 14.0


def _started(*arguments: str) -> str:
    """What the command prints, started as its description says."""
    command = [sys.executable, "-m", "tests.bench.compare", *arguments]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_command_runs_keeps_and_goes_on(tmp_path: Path) -> None:
    """A second call runs nothing anew; table and picture are there after each."""
    command = ["--cases", "thin:greensboro:5", "--days", "3", "--out", str(tmp_path)]
    command += ["--methods", "always held at target"]
    assert "2 runs, 0 of them done before" in _started(*command)
    files = sorted(tmp_path.glob("*.json"))
    stamps = [path.stat().st_mtime_ns for path in files]
    assert len(files) == 2
    assert sum(json.loads(files[0].read_text())["energy_kwh"]) > 10.0  # held at target in winter
    assert "2 runs, 2 of them done before" in _started(*command)
    assert [path.stat().st_mtime_ns for path in files] == stamps
    assert (tmp_path / "picture.svg").exists()
    assert "always held at target" in (tmp_path / "table.md").read_text()


@pytest.mark.parametrize("text", ["thin", "thin:greensboro:x", "thick:greensboro:1", "thin:here:1"])
def test_wrong_case_is_refused(text: str, tmp_path: Path) -> None:
    """A case that cannot be ends the command with a message that says what would be right."""
    with pytest.raises(SystemExit, match="right would be"):
        compare.main(["--cases", text, "--out", str(tmp_path)])


def test_time_left_goes_by_the_method() -> None:
    """Jobs take what those of their method took; slow methods not yet run, the longest so far."""
    results = {Job(SEASON, FORESIGHT): replace(served([]), took_s=5.0)}
    results[Job(SEASON, OWN, True, 95.0)] = replace(served([]), took_s=100.0)
    left = [Job(OTHER, FORESIGHT), Job(OTHER, TRUE_MODEL, True, 1.0), Job(OTHER, "new")]
    assert compare.time_left_s(left, results) == pytest.approx(5.0 + 100.0 + 5.0)


def test_its_workers_end_with_it_when_it_is_told_to(tmp_path: Path) -> None:
    """By SIGTERM, as `kill` sends it: a season would go on for minutes and slow the next."""
    command = [sys.executable, "-m", "tests.bench.compare", "--methods", OWN]
    command += ["--cases", "thin:hamburg:1", "--out", str(tmp_path)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL) as started:
        children = Path(f"/proc/{started.pid}/task/{started.pid}/children")
        wait_for(lambda: len(children.read_text().split()) >= 2)  # a worker, and the tracker
        workers = children.read_text().split()
        started.terminate()
        assert started.wait(timeout=30.0) == 128 + signal.SIGTERM
    wait_for(lambda: not any(Path(f"/proc/{pid}/cwd").exists() for pid in workers))


def wait_for(holds: Callable[[], bool], within_s: float = 60.0) -> None:
    """Look until something holds, which it does at once; a machine that is slow has a minute."""
    ends_s = time.monotonic() + within_s
    while not holds():
        assert time.monotonic() < ends_s
        time.sleep(0.05)

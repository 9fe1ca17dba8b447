"""``slabtide history import``, from the command line, into a real store."""

from __future__ import annotations

import json
import math
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller.cli import main
from controller.commands import history
from controller.configuration import load_all
from controller.planner_process import PlannerFailure
from controller.records.errands import LearnAnswer, LearnErrand, Learnt
from controller.records.imported import ROLES, imported_id, subjects
from controller.records.plan import ParameterSource
from controller.records.readings import Reading
from controller.records.site import Role
from controller.site_lock import site_lock
from controller.store import open_reader, open_writer
from tests.controller.builders import make_parameters

EXAMPLES = Path(__file__).parents[3] / "config"
START_S = 1_764_547_200.0  # 2025-12-01 00:00 UTC
ZONE, HEATER = "boat-bay", "boiler"
AIR, POWER, OUTDOOR = f"air@{ZONE}", f"power@{HEATER}", "outdoor@outdoor"


class Child:
    """Stands in for the planner's child: gives one answer and keeps the errand."""

    answer: Any = None
    errand: LearnErrand | None = None

    def __init__(self, folder: Path, clock: object) -> None:
        pass

    def start(self, errand: LearnErrand) -> None:
        Child.errand = errand

    def wait(self) -> object:
        return Child.answer

    def stop(self) -> None:
        pass


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """The example site in a folder of its own."""
    folder = tmp_path / "config"
    folder.mkdir()
    for source in EXAMPLES.glob("*.yaml"):
        (folder / source.name).write_bytes(source.read_bytes())
    return folder / "site.yaml"


@pytest.fixture
def child(monkeypatch: pytest.MonkeyPatch) -> type[Child]:
    """The real child costs seconds; one test below has it."""
    Child.answer, Child.errand = LearnAnswer(()), None
    monkeypatch.setattr(history, "PlannerProcess", Child)
    return Child


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Two days of quarter hours: cold air, heat every fourth hour, 2 °C outdoors."""
    path = tmp_path / "log.csv"
    rows = [
        f"{START_S + 900 * k:.0f},{8 + k / 100:.2f},{9 if k // 4 % 4 == 0 else 0},2"
        for k in range(192)
    ]
    path.write_text("time,air,power [kW],outdoor\n" + "\n".join(rows) + "\n")
    return path


def _import(site: Path, log: Path, *more: str) -> int:
    return main(["history", "import", str(log), "--site", str(site), *more])


def _samples(site: Path, sensor: str) -> list[tuple[float, float]]:
    with closing(open_reader(load_all(site).store)) as reader:
        return reader.samples(sensor, 0.0, 1e11)


@pytest.mark.usefixtures("child")
def test_a_log_is_in_the_store_under_ids_of_its_own(
    site: Path, log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Samples every five minutes, in house units, and none under a sensor's own id."""
    assert _import(site, log) == 0
    assert len(_samples(site, AIR)) == 191 * 3 + 1
    assert _samples(site, POWER)[0] == (START_S, 9000.0)
    assert _samples(site, "bay-air") == []
    told = capsys.readouterr().out
    assert f"{AIR}: imported, 2025-11-30 to 2025-12-02: 192 values, usually 15 min apart" in told
    assert "known for 100 % of the time" in told


def test_a_second_import_of_the_same_file_changes_nothing(
    site: Path, log: Path, child: type[Child], capsys: pytest.CaptureFixture[str]
) -> None:
    """It says so and ends well."""
    child.answer = LearnAnswer((Learnt(make_parameters(ZONE), True, "Learnt from history."),))
    _import(site, log)
    before, child.errand = _samples(site, AIR), None
    assert _import(site, log) == 0
    assert _samples(site, AIR) == before
    assert child.errand is None
    assert "is there already; nothing has changed" in capsys.readouterr().out


def test_an_import_that_was_broken_off_while_it_learnt_learns_the_next_time(
    site: Path, log: Path, child: type[Child], capsys: pytest.CaptureFixture[str]
) -> None:
    """The samples are there, and what is learnt from them is not."""
    child.answer = PlannerFailure("it was stopped")
    _import(site, log)
    before = _samples(site, AIR)
    child.answer = LearnAnswer((Learnt(make_parameters(ZONE), True, "Learnt from history."),))
    assert _import(site, log) == 0
    assert _samples(site, AIR) == before
    told = capsys.readouterr()
    assert f"{ZONE}: Learnt from history." in told.out
    assert "learning from it" in told.err


@pytest.mark.usefixtures("child")
def test_a_log_that_has_grown_adds_its_new_rows(site: Path, log: Path) -> None:
    """The first day alone, then both: as if both had been imported at once."""
    lines = log.read_text().splitlines(keepends=True)
    first = log.with_name("first.csv")
    first.write_text("".join(lines[:97]))
    assert _import(site, first) == 0
    assert _import(site, log) == 0
    grown = {sensor: _samples(site, sensor) for sensor in (AIR, POWER, OUTDOOR)}
    assert [len(samples) for samples in grown.values()] == [574, 576, 574]


@pytest.mark.usefixtures("child")
def test_other_values_for_the_same_time_need_a_word(
    site: Path, log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Refused with both ways named; with --replace the new ones are there alone."""
    _import(site, log)
    other = log.with_name("other.csv")
    other.write_text(log.read_text().replace(",2\n", ",3\n"))
    assert _import(site, other) == 2
    told = capsys.readouterr().err
    assert f"{OUTDOOR} was imported before for this time, with other values; --replace" in told
    assert "Nothing was imported" in told
    assert {value for _, value in _samples(site, OUTDOOR)} == {2.0}
    assert _import(site, other, "--replace") == 0
    assert {value for _, value in _samples(site, OUTDOOR)} == {3.0}


@pytest.mark.usefixtures("child")
def test_what_the_service_measured_is_not_imported_over(
    site: Path, log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One reading of the same role within the log's span refuses it whole, --replace or not."""
    measured = Reading(
        "bay-air", Role.AIR, ZONE, 9.0, START_S + 7200.0, START_S + 7200.0, 0.0, sequence=0
    )
    with closing(open_writer(load_all(site).store)) as writer:
        writer.add_readings([measured])
    assert _import(site, log, "--replace") == 2
    told = capsys.readouterr().err
    assert "bay-air has readings of its own from 2025-11-30 21:00:00 to 2025-11-30 21:00:00" in told
    assert "a file of the rows outside that time" in told
    assert _samples(site, OUTDOOR) == []


def test_a_file_with_mistakes_imports_nothing(
    site: Path, log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every mistake at its place, exit code 2, and no store is made."""
    log.write_text(log.read_text().replace(",2\n", ",two\n", 3))
    assert _import(site, log) == 2
    told = capsys.readouterr().err
    assert [f"{log}:{line}:" in told for line in (2, 3, 4)] == [True] * 3
    assert "'two' under outdoor is no number" in told
    assert not load_all(site).store.exists()


def test_a_running_service_has_to_be_stopped_first(
    site: Path, log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It alone writes its records: exit code 1 and what to do."""
    with site_lock(load_all(site).store, site):
        assert _import(site, log) == 1
    assert "Stop it, import, and start it again" in capsys.readouterr().err


def test_learning_ends_with_the_log_and_counts_from_now_on(
    site: Path, log: Path, child: type[Child], capsys: pytest.CaptureFixture[str]
) -> None:
    """The fit looks at the log's own time, the set that comes of it is in force at once."""
    learnt = replace(make_parameters(ZONE), made_s=START_S + 2 * 86400.0)
    child.answer = LearnAnswer((Learnt(learnt, True, "Learnt from history."),))
    assert _import(site, log) == 0
    assert child.errand is not None
    assert child.errand.now_s == START_S + 191 * 900.0 + 300.0
    with closing(open_reader(load_all(site).store)) as reader:
        stored = reader.latest_parameters(ZONE)
    assert stored is not None
    assert stored.made_s > learnt.made_s
    assert stored.values == learnt.values
    assert f"{ZONE}: Learnt from history." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        (PlannerFailure("it crashed"), "Nothing was learnt from it yet: it crashed."),
        (
            LearnAnswer((Learnt(make_parameters(ZONE, gain_k_per_w=7.0), True, "Better."),)),
            "what was learnt is not used: gain_k_per_w = 7 lies outside",
        ),
        (
            LearnAnswer((Learnt(make_parameters(ZONE), False, "Set x holds."),)),
            f"{ZONE}: Set x holds.",
        ),
    ],
)
def test_a_fit_that_fails_or_is_worse_leaves_the_import_standing(
    site: Path, log: Path, child: type[Child], capsys: pytest.CaptureFixture[str], answer, told
) -> None:
    """The log is in; no parameters are stored; the reason is told."""
    child.answer = answer
    assert _import(site, log) == 0
    assert told in capsys.readouterr().out
    with closing(open_reader(load_all(site).store)) as reader:
        assert reader.parameters(ZONE) == []
    assert _samples(site, AIR)


def test_what_was_learnt_from_later_history_stays(
    site: Path, log: Path, child: type[Child], capsys: pytest.CaptureFixture[str]
) -> None:
    """Last winter's log does not push aside what this winter taught."""
    later = replace(make_parameters(ZONE), span_end_s=START_S + 90 * 86400.0)
    assert later.source is ParameterSource.HISTORY
    with closing(open_writer(load_all(site).store)) as writer:
        writer.add_parameters(later)
    assert _import(site, log) == 0
    assert child.errand is None
    assert "learnt from later history, and stays" in capsys.readouterr().out


@pytest.mark.usefixtures("child")
def test_passed_over_columns_and_the_odd_night_are_told(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing is left out in silence. New York's clocks went back on 2025-11-02 at 02:00."""
    path = tmp_path / "log.csv"
    times = ["2025-11-02 00:30", "2025-11-02 01:30", "2025-11-02 02:30", "2025-11-02 03:30"]
    path.write_text("time,air,humidity,slab\n" + "".join(f"{t},9,55,\n" for t in times))
    assert _import(site, path) == 0
    told = capsys.readouterr().out
    assert "Passed over, nothing is learnt from it: humidity." in told
    assert "Passed over, fewer than two values: slab." in told
    assert "2025-11-02 01:30 and the rest of that hour occurred twice" in told


def test_progress_is_told_with_the_time_left(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A quarter done in ten seconds leaves thirty; in between two seconds pass in silence."""

    class Clock:
        mono_s = 0.0

        def now(self) -> Clock:
            return self

    clock = Clock()
    monkeypatch.setattr(history, "SystemClock", lambda: clock)
    progress = history._Progress("reading log.csv")
    for mono_s, share in ((0.0, 0.0), (10.0, 0.25), (11.0, 0.3)):
        clock.mono_s = mono_s
        progress(share)
    assert capsys.readouterr().err.splitlines() == ["reading log.csv: 25 %, 30 s left"]


def test_every_imported_role_has_a_place_in_the_example_site(site: Path) -> None:
    """An id for each, none of which a sensor of a site file could have."""
    loaded = load_all(site).site
    ids = [imported_id(role, subject) for role in ROLES for subject in subjects(loaded, role)]
    assert all("@" in found for found in ids)
    assert len(set(ids)) == len(ids) == 5


def _simulated(path: Path, days: int) -> None:
    """Slab and room by Euler's method, a minute a step; heat in every third night; hourly rows.

    The room is about the example's: 20 MJ/K of slab behind 400 W/K, 2 MJ/K of room that loses
    170 W/K. Hourly means of power, hourly readings of the rest, in °F.
    """
    slab_c, air_c, rows = 9.0, 8.0, []
    for hour in range(24 * days):
        outdoor_c = 2.0 + 4.0 * math.cos(2 * math.pi * (hour - 14) / 24) + 3.0 * math.sin(hour / 40)
        power_w = 9000.0 * (hour // 24 % 3 == 1 and hour % 24 < 5 + hour // 24 % 5)
        row = (START_S + 3600 * hour, air_c * 1.8 + 32, power_w / 1000, outdoor_c * 1.8 + 32)
        rows.append("{:.0f};{:.2f};{:.3f};{:.2f}".format(*row).replace(".", ","))
        for _ in range(60):
            floor_w = 400.0 * (slab_c - air_c)
            slab_c += 60.0 * (power_w - floor_w - 15.0 * (slab_c - 9.0)) / 20e6
            air_c += 60.0 * (floor_w - 170.0 * (air_c - outdoor_c)) / 2e6
    path.write_text("time;air [°F];power [kW];outdoor [°F]\n" + "\n".join(rows) + "\n")


def test_hourly_air_power_and_outdoors_are_enough_to_learn_from(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Forty days of a simulated room: what is learnt halves the errors of any saying at least.

    Half is a loose bound (a fifth was measured): it holds for whatever model is learnt.
    """
    path = tmp_path / "log.csv"
    _simulated(path, days=40)
    assert _import(site, path) == 0
    assert "Learnt from history" in capsys.readouterr().out
    assert main(["fit", "--score", "--json", "--site", str(site)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["in_force"]["source"] == "history"
    for hours in ("12", "24"):
        rms_k = told["score"]["response"][hours]["rms_k"]
        sayings = (told["score"][saying][hours]["rms_k"] for saying in ("stays", "yesterday"))
        assert rms_k < 0.5 * min(sayings)

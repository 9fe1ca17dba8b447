"""``slabtide rehearse``: what it prints, what it writes, and how it refuses."""

import argparse
import json
from pathlib import Path

import pytest

from controller.commands import rehearse
from controller.rehearsal import score, season
from controller.rehearsal.building import Forecasting
from controller.rehearsal.score import Scorecard
from controller.rehearsal.season import Order
from controller.rehearsal.workshop import Workshop

SITE = Path(__file__).parents[3] / "config" / "site.yaml"
QUICK = ["--days", "2", "--tick", "60", "--replan", "120", "--start", "2027-01-04"]
SHED = """
from datetime import timedelta

class Shed:
    def __init__(self, start):
        self.now, self.air = start, 8.0
    def sense(self):
        return {"air": self.air, "slab": self.air + 2, "outdoor": 0.0}
    def advance(self, seconds, heater_on):
        self.now += timedelta(seconds=seconds)
        self.air += seconds / 3600 * ((2.0 if heater_on else 0.0) - 0.02 * self.air)

def factory(start, bookings):
    return Shed(start)
"""


def call(*arguments: str, site: Path = SITE) -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--site", type=Path, default=site)
    rehearse.configure(parser)
    return rehearse.run(parser.parse_args(arguments))


def test_it_prints_a_row_a_session_and_writes_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One session in two days: a table, a total, and the same as JSON."""
    out = tmp_path / "score.json"
    assert call(*QUICK, "--without-others", "--json", str(out)) == 0
    text = capsys.readouterr().out
    assert "Tue 05 Jan 18:30 boat-bay" in text
    card = json.loads(out.read_text())
    assert [row["zone"] for row in card["sessions"]] == ["boat-bay"]
    assert [row["method"] for row in card["totals"]] == ["slabtide"]


def test_an_outside_building_is_rehearsed_beside_the_other_methods(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A building from a file of one's own runs, and sensors that it lacks are named."""
    (tmp_path / "shed.py").write_text(SHED)
    assert call(*QUICK, "--building", f"{tmp_path / 'shed.py'}:factory") == 0
    captured = capsys.readouterr()
    assert "always held at target" in captured.out
    assert "not fitted: roof-sun, loop-supply" in captured.err


def test_a_missing_site_file_is_said_clearly(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where there is no site file, exit code 2 and what to do."""
    assert call(site=tmp_path / "site.yaml") == 2
    assert "there is no such site file" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--start", "2025-07-01"], "nothing is booked for heater boiler from 2025-07-01"),
        (["--start", "2027-07-01", "--days", "20"], "no weather for 2027-0"),
        (["--building", "none.py:factory"], "there is no such file"),
        (["--building", "x.py:f", "--weather", "w.csv"], "--weather is for the virtual workshop"),
        (["--building", "x.py:f", "--kind", "thin"], "--kind is for the virtual workshop"),
        (["--building", "x.py:f", "--forecast"], "--forecast is for the virtual workshop"),
        (["--weather", "none.csv"], "none.csv: cannot be read"),
    ],
)
def test_bad_input_is_refused_with_a_message(
    arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Input that cannot be used gives exit code 2 and says what is wrong."""
    assert call(*arguments) == 2
    assert message in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [
        ["--days", "0"],
        ["--tick", "7"],
        ["--replan", "0"],
        ["--off", "60"],
        ["--start", "Monday"],
        ["--kind", "tiny"],
    ],
)
def test_arguments_out_of_range_are_refused(arguments: list[str]) -> None:
    """The parser itself refuses them, with exit code 2."""
    with pytest.raises(SystemExit) as ended:
        call(*arguments)
    assert ended.value.code == 2


def test_another_bookings_file_is_used(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--bookings takes the place of the file beside the site file."""
    path = tmp_path / "mine.yaml"
    path.write_text(
        "bookings:\n  once:\n    date: 2027-01-05\n    start: 10:00\n    end: 12:00\n"
        "    target: 12\n"
    )
    assert call(*QUICK, "--without-others", "--bookings", str(path)) == 0
    assert "Tue 05 Jan 10:00 boat-bay  12.0 °C" in capsys.readouterr().out


@pytest.fixture
def orders(monkeypatch: pytest.MonkeyPatch) -> list[Order]:
    """What would have been rehearsed; nothing is."""
    kept: list[Order] = []

    def keep(order: Order, progress: object) -> Scorecard:
        kept.append(order)
        return Scorecard((), (), ())

    monkeypatch.setattr(season, "rehearse", keep)
    monkeypatch.setattr(score, "as_text", lambda card, time_zone: "")
    return kept


def test_another_kind_of_building_is_rehearsed_on_request(
    orders: list[Order], capsys: pytest.CaptureFixture[str]
) -> None:
    """--kind changes description, heater and building alike, and says so."""
    assert call(*QUICK, "--kind", "thin", "--off", "0") == 0
    order = orders[0]
    assert order.rehearsed.site.zones[0].floor.slab_thickness_m == 0.065
    assert order.rehearsed.heater == order.rehearsed.site.heater("boiler")
    building = order.make_building()
    assert isinstance(building, Workshop)
    assert building.heater == order.rehearsed.heater
    said = "As a thin slab under much glass; boiler has 6.3 kW."
    assert said in capsys.readouterr().err


def test_a_forecast_comes_on_request(orders: list[Order]) -> None:
    """With --forecast the building brings one; without, it has none."""
    for arguments in ([], ["--forecast"]):
        assert call(*QUICK, *arguments) == 0
    assert [isinstance(order.make_building(), Forecasting) for order in orders] == [False, True]

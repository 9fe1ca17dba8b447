"""What the speed figures are measured on: a store of any age, and zones alike."""

from contextlib import closing
from pathlib import Path

import pytest

from controller.records.site import Role
from controller.rehearsal.memory import Memory
from controller.store import open_reader
from tests.bench.cases import Case, case
from tests.bench.served import DAY_S
from tests.bench.speed import median_s
from tests.bench.stored_past import (
    PAST_DAYS,
    AlikeZones,
    remembered,
    store_past,
    with_sessions,
    with_zones,
)


@pytest.fixture(scope="module")
def made() -> Case:
    """An ordinary building's season."""
    return case("ordinary", "greensboro", 3, days=PAST_DAYS, forecast=False)


@pytest.fixture(scope="module")
def memory(made: Case) -> Memory:
    """Its first two days, which hold no session: the history of commands is told apart below."""
    return remembered(made, days=2)


def test_history_is_noted_for_every_sensor(made: Case, memory: Memory) -> None:
    """Each sensor has a sample a minute, or nearly: noise may lose none here."""
    for sensor in made.site.sensors_of(made.heater):
        assert len(memory.samples(sensor.id, 0.0, made.span.end_s)) > 2 * 1440 - 10


@pytest.mark.parametrize("days", [30, 100])
def test_store_reaches_back_as_far_as_asked(tmp_path: Path, made: Case, days: int) -> None:
    """Readings every 5 minutes from that age on, repeating every 60 days."""
    end_s = made.span.start_s + PAST_DAYS * DAY_S
    history = Memory()
    for n in range(PAST_DAYS * 1440):
        history.add_sample("bay-air", at_s=made.span.start_s + 60.0 * n, value=float(n % 7))
    history.add_command(made.heater.id, at_s=made.span.start_s, heat=False)
    history.add_command(made.heater.id, at_s=end_s - 7200.0, heat=True)
    store_past(tmp_path, made, history, days=days)
    with closing(open_reader(tmp_path)) as reader:
        found = reader.samples("bay-air", 0.0, end_s)
        assert len(found) == days * 288
        assert found[0][0] == end_s - days * DAY_S
        if days > PAST_DAYS:
            assert found[-1][1] == found[-1 - PAST_DAYS * 288][1]
        commands = reader.heating(made.heater.id, end_s - DAY_S, end_s)
        assert commands[-1] == (end_s - 7200.0, True)


def test_zones_alike_share_one_heater(made: Case) -> None:
    """Three zones, loops and sets of zone sensors; one heater of three times the rating."""
    site = with_zones(made.site, 3)
    (heater,) = site.heaters
    assert heater.rating_w == 3 * made.heater.rating_w
    assert len(site.zones_of(heater)) == 3
    assert sum(sensor.role is Role.AIR for sensor in site.sensors) == 3
    assert sum(sensor.role is Role.OUTDOOR for sensor in site.sensors) == 1
    assert {s.zone for s in with_sessions(made.sessions, 3)} == {zone.id for zone in site.zones}


def test_zones_alike_read_the_one_zone(made: Case) -> None:
    """A copy's air is the zone's, power is as many times as much."""
    memory = Memory()
    memory.add_sample("bay-air", at_s=0.0, value=18.0)
    memory.add_sample("boiler-power", at_s=0.0, value=4000.0)
    source = AlikeZones(made.site, memory, 3)
    site = with_zones(made.site, 3)
    copies = [sensor.id for sensor in site.sensors if sensor.role is Role.AIR]
    assert [source.samples(copy, 0.0, 1.0) for copy in copies] == [[(0.0, 18.0)]] * 3
    assert source.samples("boiler-power", 0.0, 1.0) == [(0.0, 12000.0)]


def test_median_leaves_the_first_go_out() -> None:
    """Of several goes one more is made, which warms up; a single one is measured as it is."""
    goes: list[int] = []
    assert median_s(lambda: goes.append(1), 3) >= 0.0
    assert len(goes) == 4
    median_s(lambda: goes.append(1), 1)
    assert len(goes) == 5

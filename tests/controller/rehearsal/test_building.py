"""Buildings from outside: how roles are read, and what each fault is told as."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.records.site import Role
from controller.rehearsal.building import (
    Building,
    BuildingError,
    Truthful,
    advanced,
    load_factory,
    normalised,
    role_of,
    sensed_by,
    true_values,
    value_for,
)

START = datetime(2025, 1, 13, tzinfo=UTC)

GOOD = """
from datetime import timedelta

class Shed:
    def __init__(self, start):
        self.now = start
        self.heat_s = 0.0
    def sense(self):
        return {"Air": 6.0, "SLAB": 7, "outdoor": -1.5, "Floor Surface": 6.5}
    def advance(self, seconds, heater_on):
        self.now += timedelta(seconds=seconds)
    def truth(self):
        return {"air": 6.01, "secret": 1.0}

def factory(start, bookings):
    return Shed(start)
"""


def write(tmp_path: Path, text: str) -> str:
    path = tmp_path / "shed.py"
    path.write_text(text)
    return f"{path}:factory"


@pytest.mark.parametrize(
    "name", ["floor surface", "floor_surface", "FloorSurface", "FLOOR-SURFACE", Role.FLOOR_SURFACE]
)
def test_a_role_may_be_written_in_any_way(name: str) -> None:
    """Case, blanks, underscores and hyphens do not matter."""
    assert role_of(name) is Role.FLOOR_SURFACE


def test_every_role_is_known_by_its_own_name() -> None:
    """No two roles fall together when written leniently."""
    assert [role_of(role.value) for role in Role] == list(Role)


def test_a_zone_may_be_named_with_its_role() -> None:
    """``air@bench`` is read before a bare role, and a bare role serves any subject."""
    values = normalised({"Air@bench": 18.0, "solar surplus": 3.0, "air": 5.0})
    assert value_for(values, Role.AIR, "bench") == 18.0
    assert value_for(values, Role.AIR, "paint") == 5.0
    assert value_for(values, Role.SOLAR_SURPLUS, "outdoor") == 3.0
    assert value_for(values, Role.WIND, "outdoor") is None


def test_a_good_file_gives_a_building(tmp_path: Path) -> None:
    """A file with a factory is loaded, and what is unknown in its truth is passed over."""
    building = load_factory(write(tmp_path, GOOD))(START, [])
    assert isinstance(building, Building)
    assert isinstance(building, Truthful)
    assert sensed_by(building, spec="x")["floor_surface"] == 6.5
    assert true_values(building) == {"air": 6.01}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("def factory", "def other"), "nothing in it is called 'factory'"),
        (("def factory(start, bookings):", "factory = 3\ndef f(start, b):"), "int, not a factory"),
        (("    return Shed(start)", "    raise OSError('no sun')"), "failed: OSError: no sun"),
        (("    return Shed(start)", "    return None"), r"no method sense\(\)"),
        (("def advance", "def go"), r"no method advance\(\)"),
        (("self.now = start", "self.now = 5"), "an aware datetime in UTC is expected"),
        (("self.now = start", "self.now = start.replace(tzinfo=None)"), "an aware datetime"),
        (("self.now = start", "self.now = start + timedelta(days=1)"), "expected 2025-01-13T00"),
        (('"SLAB": 7', '"slap": 7'), "unknown role 'slap'; roles are slab, floor_surface"),
        (('"SLAB": 7', '"slab": "warm"'), "gives 'warm' for 'slab'; a number is expected"),
        (('"SLAB": 7', '"slab": None'), "gives None for 'slab'"),
        (('"SLAB": 7', '"slab": True'), "gives True for 'slab'"),
        (('"SLAB": 7', '"slab": float("nan")'), "starts with nan for 'slab'"),
        (('return {"Air"', 'raise KeyError("x")\n        return {"Air"'), r"sense\(\) failed: Key"),
        (('return {"Air": 6.0', 'return [3]\n        return {"Air": 6.0'), "gives a list"),
        (("from datetime", "import no_such_module_here\nfrom datetime"), "ModuleNotFoundError"),
        (("class Shed", "class Shed("), "SyntaxError"),
    ],
)
def test_each_fault_is_told(tmp_path: Path, change: tuple[str, str], message: str) -> None:
    """Whatever is wrong with an outside building, the message says what."""
    assert change[0] in GOOD
    with pytest.raises(BuildingError, match=message):
        load_factory(write(tmp_path, GOOD.replace(*change)))(START, [])


@pytest.mark.parametrize(
    ("spec", "message"),
    [
        ("nowhere.py:factory", "no such file"),
        ("nowhere.py", "not of the form"),
        ("nowhere.py:", "not of the form"),
        (":factory", "not of the form"),
    ],
)
def test_a_bad_spec_is_refused(spec: str, message: str) -> None:
    """The argument itself is checked first."""
    with pytest.raises(BuildingError, match=message):
        load_factory(spec)


@pytest.mark.parametrize("fault", ["1 / 0", 'return {"air": "warm"}', "return [1]"])
def test_a_truth_that_fails_is_told(tmp_path: Path, fault: str) -> None:
    """truth() is outside code as well: its errors are messages."""
    text = GOOD.replace('return {"air": 6.01', fault + '\n        return {"air": 6.01')
    building = load_factory(write(tmp_path, text))(START, [])
    with pytest.raises(BuildingError, match=r"truth\(\) failed"):
        true_values(building)


def test_an_advance_that_fails_is_told(tmp_path: Path) -> None:
    """An error in the middle of a run names the building and the call."""
    text = GOOD.replace("self.now += timedelta(seconds=seconds)", "1 / 0")
    building = load_factory(write(tmp_path, text))(START, [])
    with pytest.raises(BuildingError, match=r"shed: advance\(\) failed: ZeroDivisionError"):
        advanced(building, seconds=10.0, heater_on=True, spec="shed")


def test_the_clock_of_a_building_may_be_in_another_zone(tmp_path: Path) -> None:
    """An aware time in another zone is the same moment."""
    zoned = "start.astimezone(timezone(timedelta(hours=2)))"
    text = GOOD.replace("self.now = start", f"self.now = {zoned}")
    text = text.replace("import timedelta", "import timedelta, timezone")
    building = load_factory(write(tmp_path, text))(START, [])
    assert building.now - START == timedelta(0)

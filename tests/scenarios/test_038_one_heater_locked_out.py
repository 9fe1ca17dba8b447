"""Two heaters, one of which is locked out in the middle of preheat."""

from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.devices import fixed
from tests.scenarios.judge import Story
from tests.scenarios.sites import TWO_HEATERS

BOTH = ("2027-01-23 09:00-12:00 16 boat-bay", "2027-01-23 05:00-08:00 16 paint-room")


def test_the_other_heater_goes_on(make_stage: MakeStage, measured: Measured) -> None:
    """The lockout of the bay's boiler takes nothing from the paint room's."""
    stage = make_stage(edits=TWO_HEATERS, sessions=BOTH)
    stage.preheat()
    hot_s = stage.at_s
    stage.wires.meddle("loop-supply", fixed(70.0))
    stage.run(hours=1)

    locked_out = Story(stage, "boiler").judge()
    measured(locked_out.off_after_s(hot_s))
    assert locked_out.on_s(hot_s + 70.0) == 0.0
    assert locked_out.reasons() == {
        "first_run not_yet": 1,
        "lockout locked_out LOCKOUT": 1,
        "supply_over_temperature too_hot": 1,
        "supply_over_temperature too_hot LOCKOUT": 1,
    }
    other = Story(stage, "paint-boiler").judge()
    assert other.on_s(hot_s) == 3600.0
    assert other.reasons() == {"first_run not_yet": 1}

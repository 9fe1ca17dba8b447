"""Two zones on one heater: one's slab sensor is lost while the other has its session."""

from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.devices import silent
from tests.scenarios.judge import Story
from tests.scenarios.sites import TWO_ZONES


def test_a_lost_slab_withholds_heat_from_both(make_stage: MakeStage, measured: Measured) -> None:
    """One heater warms both floors, so that heat for the one would be blind heat for the other."""
    stage = make_stage(edits=TWO_ZONES, sessions=("2027-01-22 18:30-22:00 16 boat-bay",))
    stage.run_until("2027-01-22 18:45")
    stage.tick()
    lost_s = stage.at_s
    stage.wires.meddle("paint-room-slab", silent)
    stage.run(hours=1)
    stage.wires.repair("paint-room-slab")
    back_s = stage.at_s
    stage.run(minutes=30)

    story = Story(stage).judge()
    measured(story.off_after_s(lost_s))
    assert story.on_s(lost_s + 610.0, back_s) == 0.0
    assert story.on_s(back_s) >= 1740.0
    assert story.reasons() == {"first_run not_yet": 1, "stale_reading stale": 1}

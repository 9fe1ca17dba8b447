"""The slab sensor falls silent in the middle of preheat."""

from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.devices import silent
from tests.scenarios.judge import Story


def test_heat_ends_when_the_slab_sensor_is_lost(make_stage: MakeStage, measured: Measured) -> None:
    """Ten minutes after its last word the slab is unknown: no heat but on the blind duty."""
    stage = make_stage()
    stage.preheat()
    lost_s = stage.at_s
    stage.wires.meddle("bay-slab", silent)
    stage.run(hours=3)

    story = Story(stage).judge()
    measured(story.off_after_s(lost_s))
    assert story.on_s(lost_s + 700.0) == 0.0
    assert story.reasons() == {"first_run not_yet": 1, "stale_reading stale": 1}
    assert story.notices() == {"sensor_lost": 1, "started": 1}

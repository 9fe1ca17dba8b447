"""The air sensor goes on sending one and the same value."""

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.devices import fixed
from tests.scenarios.judge import Story


def test_a_stuck_air_sensor_is_unknown(make_stage: MakeStage, measured: Measured) -> None:
    """Found out before the room has been heated past its target."""
    stage = make_stage()
    stage.preheat()
    stuck_s = stage.at_s
    stage.wires.meddle("bay-air", fixed(7.0))
    stage.run(hours=5)

    story = Story(stage).judge()
    measured(story.off_after_s(stuck_s))
    assert story.highest(Role.AIR) < 16.0
    assert story.reasons() == {
        "first_run not_yet": 1,
        "stale_reading doubted": 1,
        "stuck_reading stuck": 1,
    }

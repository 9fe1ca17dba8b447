"""A power meter that sends kW where the site file says W."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


def test_kilowatts_sent_as_watts(make_stage: MakeStage) -> None:
    """Power is a second witness alone: the room is warmed all the same, and the owner is told."""
    stage = make_stage()
    stage.wires.meddle("boiler-power", lambda watts: watts / 1000.0)
    stage.run(hours=2)

    story = Story(stage).judge()
    assert story.on_s() == 6900.0
    assert story.reasons() == {
        "first_run not_yet": 1,
        "no_flow_or_no_heat power_not_shown": 1,
    }
    assert story.notices()["power_implausible"] == 1

"""The circulation pump seizes in the middle of preheat, and is free again after half an hour."""

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.judge import Story
from tests.scenarios.sites import MEASURED_CIRCULATOR


def test_no_heat_on_a_pump_that_stands(make_stage: MakeStage, measured: Measured) -> None:
    """Its power says so within a minute; it is tried every few minutes, and then heat goes on."""
    stage = make_stage(edits=MEASURED_CIRCULATOR)
    stage.preheat()
    pump, seized_s = stage.outputs["circulator"], stage.at_s
    pump.seized = True
    stage.run(minutes=30)
    pump.seized = False
    free_s = stage.at_s
    stage.run(minutes=30)

    story = Story(stage).judge(but=["flow"])
    measured(story.off_after_s(seized_s))
    assert story.on_s(seized_s + 70.0, free_s) == 0.0
    assert story.on_s(free_s) > 900.0
    assert story.highest(Role.SUPPLY) < 55.0
    assert story.reasons() == {"first_run not_yet": 1, "pump_proof stands": 1}

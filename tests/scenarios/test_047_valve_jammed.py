"""The only zone valve is jammed shut, and its board says that it is open."""

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story
from tests.scenarios.sites import BAY_VALVE


def test_the_boiler_holds_itself_at_its_limit(make_stage: MakeStage) -> None:
    """The boiler's own thermostat ends the heat, the room stays cold, and the owner is told."""
    stage = make_stage(edits=BAY_VALVE)
    stage.outputs["bay-valve"].seized = True
    stage.run(hours=2)

    story = Story(stage).judge(but=["flow"])
    assert story.on_s() > 3600.0
    assert story.highest(Role.SUPPLY) < 48.5
    assert story.highest(Role.SLAB) < 12.0
    assert story.reasons() == {"first_run not_yet": 1, "heat_not_taken not_taken": 1}
    assert story.notices()["heat_not_taken"] == 1

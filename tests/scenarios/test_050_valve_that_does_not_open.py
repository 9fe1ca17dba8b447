"""Two zones behind valves in a hard frost, nobody there, and one valve's board reports it shut."""

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story
from tests.scenarios.sites import BAY_VALVE, PAINT_VALVE, TWO_ZONES


def test_its_zone_is_cried_out_and_the_other_is_not_overheated(make_stage: MakeStage) -> None:
    """Heat that is for the paint room does not go into the bay's floor for days."""
    stage = make_stage(
        edits=TWO_ZONES + BAY_VALVE + PAINT_VALVE,
        start="2027-01-22 18:00",
        sessions=(),
        outdoor_c=-12.0,
        plans=False,
        tick_s=60.0,
    )
    stage.outputs["paint-valve"].stuck_open = True  # its contact: the board says shut
    stage.run(hours=30)

    # the paint room itself is past helping: glycol, or a frost stat with a heater of its own
    story = Story(stage).judge(but=["no freezing"])
    assert story.lowest(Role.SLAB, zone="boat-bay") > 5.0
    assert story.highest(Role.SLAB, zone="boat-bay") < 27.0
    assert story.notices()["frost_waits"] == 1
    assert "lockout locked_out" not in story.reasons()

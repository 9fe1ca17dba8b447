"""A wooden floor's limit of 22 °C, and a door that stands open through a hard night."""

import pytest

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story

TIGHT = (("limits.yaml", "slab_max_c: 40 ", "slab_max_c: 22 "),)


@pytest.mark.parametrize("outdoor_c", [-3.0, -12.0])
def test_frost_protection_does_not_lock_itself_out(make_stage: MakeStage, outdoor_c: float) -> None:
    """It heats the slab to 5 K below its limit and not into it, whatever the air says."""
    stage = make_stage(
        edits=TIGHT, start="2027-01-22 15:50", sessions=(), outdoor_c=outdoor_c, tick_s=30.0,
        plans=False,
    )  # fmt: skip
    stage.leave_door_open("2027-01-22 16:00", "2027-01-23 12:00")
    stage.run(hours=22)

    story = Story(stage).judge()
    assert story.on_s() > 600.0
    assert story.highest(Role.SLAB) < 20.0
    assert story.lowest(Role.SLAB) > 5.0
    assert story.reasons()["frost_protection cold"] >= 1
    assert not {"slab_over_temperature too_hot", "lockout locked_out"} & set(story.reasons())

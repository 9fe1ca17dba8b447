"""Two zones on one loop without valves: a door is open in one, the other has a tight limit."""

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story
from tests.scenarios.sites import TWO_ZONES

TIGHT = (("limits.yaml", "slab_max_c: 40 ", "slab_max_c: 20 "),)


def test_frost_heat_next_door_does_not_lock_out(make_stage: MakeStage) -> None:
    """It stops half a kelvin before the limit of the other slab, which a session has warmed."""
    stage = make_stage(
        edits=TWO_ZONES + TIGHT,
        start="2027-01-22 12:00",
        sessions=("2027-01-23 06:00-14:00 15 boat-bay",),
        outdoor_c=-10.0,
        plans=False,
        tick_s=30.0,
    )
    stage.leave_door_open("2027-01-23 05:00", "2027-01-24 00:00", zone="paint-room")
    stage.run(hours=26)

    story = Story(stage).judge()
    assert story.highest(Role.SLAB) < 20.5
    assert not {"slab_over_temperature too_hot", "lockout locked_out"} & set(story.reasons())

"""Somebody goes home and leaves the door open for four hours on a cold evening."""

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


def test_an_open_door_is_frost_only_when_it_lasts(make_stage: MakeStage) -> None:
    """Nothing heats for half an hour; then cold air counts, while the slab is not warm enough."""
    stage = make_stage(
        start="2027-01-22 15:50", sessions=(), outdoor_c=-3.0, tick_s=30.0, plans=False
    )
    stage.leave_door_open("2027-01-22 16:00", "2027-01-22 20:00")
    stage.run(hours=6)

    story = Story(stage).judge()
    opened_s = 600.0
    assert story.on_s(0.0, opened_s + 1800.0) == 0.0
    assert story.highest(Role.SLAB) < 26.0
    assert story.reasons() == {"first_run not_yet": 1, "frost_protection cold": 1}

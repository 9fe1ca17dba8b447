"""The planner gives no more answers from the middle of preheat on."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


def test_the_fallbacks_warm_the_room(make_stage: MakeStage) -> None:
    """The last timetable holds for six hours, then the lead time does: the room is ready."""
    stage = make_stage(tick_s=30.0)
    stage.preheat()
    stage.planner.answers = False
    stage.run_until("2027-01-23 09:00")

    story = Story(stage).judge()
    assert story.room_c("2027-01-23 09:00") >= 15.5
    assert story.rungs() == ["frost_only", "lead_time", "programme", "lead_time"]
    assert story.reasons() == {"first_run not_yet": 1}
    assert story.notices() == {"planner_failed": 1, "started": 1}

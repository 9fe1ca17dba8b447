"""Two sessions one after the other, the second warmer."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


def test_back_to_back_sessions_are_both_warm(make_stage: MakeStage) -> None:
    """The first is not spoilt by the second, and heat ends before both are over."""
    stage = make_stage(
        sessions=("2027-01-23 09:00-11:00 15", "2027-01-23 11:00-13:00 17"), tick_s=30.0
    )
    stage.run(hours=19)

    story = Story(stage).judge()
    assert story.room_c("2027-01-23 09:00") >= 14.5
    assert story.room_c("2027-01-23 11:00") >= 16.5
    assert story.on_s(stage.utc_s("2027-01-23 12:00") - stage.began_utc_s) == 0.0
    assert story.troubles() == {"first_run not_yet": 1}

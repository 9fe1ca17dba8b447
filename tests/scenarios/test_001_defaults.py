"""A cold start on a description alone, and one session in a mild January."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


def test_a_cold_workshop_is_warm_on_time(make_stage: MakeStage) -> None:
    """Unlearnt, with a description off by up to 15 %, the room is ready and no rule objects."""
    stage = make_stage()
    stage.run(hours=18)

    story = Story(stage).judge()
    assert story.room_c("2027-01-23 09:00") >= 15.5
    assert story.troubles() == {"first_run not_yet": 1}
    assert story.notices() == {"started": 1}
    assert story.on_s(stage.utc_s("2027-01-23 11:30") - stage.began_utc_s) == 0.0

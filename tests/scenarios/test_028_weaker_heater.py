"""The heater has half the power that the site file says."""

from controller.records.decision import Decision
from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


def test_a_weak_heater_is_told_in_time(make_stage: MakeStage) -> None:
    """The session is missed, but hours before it the owner is told how warm it will be."""
    stage = make_stage(tick_s=30.0)
    stage.weaken_heater(0.5)
    stage.run(hours=15.1)

    story = Story(stage).judge()
    assert story.room_c("2027-01-23 09:00") < 15.5
    assert story.reasons() == {"first_run not_yet": 1, "maximum_run resting": 1}
    assert story.notices() == {"started": 1, "target_out_of_reach": 1}
    told = next(d for d in story.decisions if "cannot be ready" in "".join(_texts(d)))
    assert stage.utc_s("2027-01-23 09:00") - told.at.utc_s > 6 * 3600.0


def _texts(decision: Decision) -> list[str]:
    return [notice.text for notice in decision.notices]

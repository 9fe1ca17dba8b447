"""A loop loses 2 bar an hour."""

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.judge import Story
from tests.scenarios.sites import PRESSURE


def test_a_fast_fall_withholds_heat(make_stage: MakeStage, measured: Measured) -> None:
    """Heat ends at 0.3 bar lost, long before the loop is too low, and nothing locks out."""
    stage = make_stage(edits=PRESSURE)
    stage.preheat()
    leaks_s = stage.at_s
    stage.leak(2.0)
    stage.run(minutes=18)

    story = Story(stage).judge()
    measured(story.off_after_s(leaks_s))
    assert story.lowest(Role.PRESSURE) > 0.8
    assert story.reasons() == {"first_run not_yet": 1, "loop_pressure falling": 1}

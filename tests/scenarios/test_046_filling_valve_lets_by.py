"""The filling valve lets water into the loop: 2 bar an hour."""

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.judge import Story
from tests.scenarios.sites import PRESSURE


def test_heat_ends_before_the_relief_valve_opens(make_stage: MakeStage, measured: Measured) -> None:
    """It opens at 2.5 bar; at 2.0 bar by the gauge there is a trip, a minute later a lockout."""
    stage = make_stage(edits=PRESSURE)
    stage.preheat()
    stage.leak(-2.0)
    stage.run(minutes=19)

    story = Story(stage).judge()
    high_s = next(m.at_s for m in stage.minutes if m.truth["boiler"]["pressure"] > 2.0) - 60.0
    measured(story.off_after_s(high_s))
    assert story.highest(Role.PRESSURE) < 2.5
    assert story.reasons() == {
        "first_run not_yet": 1,
        "lockout locked_out LOCKOUT": 1,
        "loop_pressure high": 1,
        "loop_pressure high LOCKOUT": 1,
    }

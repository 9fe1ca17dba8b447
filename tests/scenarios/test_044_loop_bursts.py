"""A loop bursts in the middle of preheat: its pressure is gone within a minute."""

from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.judge import Story
from tests.scenarios.sites import PRESSURE


def test_a_burst_loop_locks_out(make_stage: MakeStage, measured: Measured) -> None:
    """Too low at the next reading, locked out when it is still so a minute later."""
    stage = make_stage(edits=PRESSURE)
    stage.preheat()
    burst_s = stage.at_s
    stage.leak(70.0)
    stage.run(minutes=1)
    stage.leak(0.0)
    stage.run(minutes=30)

    story = Story(stage).judge()
    measured(story.off_after_s(burst_s))
    assert story.on_s(burst_s + 70.0) == 0.0
    assert story.reasons() == {
        "first_run not_yet": 1,
        "lockout locked_out LOCKOUT": 1,
        "loop_pressure low": 1,
        "loop_pressure low LOCKOUT": 1,
    }

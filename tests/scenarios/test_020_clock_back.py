"""The wall clock is set two hours back in the middle of preheat, and right again."""

from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.judge import Story


def test_a_clock_set_back_stops_the_heat(make_stage: MakeStage, measured: Measured) -> None:
    """Heat waits at once; readings by a right clock are then refused as from the future."""
    stage = make_stage()
    stage.preheat()
    jump_s = stage.at_s
    stage.set_clock(-7200.0)
    stage.run(hours=1)
    right_s = stage.at_s
    stage.set_clock(0.0)
    stage.run(minutes=30)

    story = Story(stage).judge()
    measured(story.off_after_s(jump_s))
    assert story.on_s(jump_s, right_s) == 900.0
    assert story.on_s(right_s) == 1740.0
    assert story.reasons() == {
        "clock_jump jumped": 2,
        "first_run not_yet": 1,
        "frost_protection blind": 1,
        "frost_protection blind_spent": 2,
        "stale_reading stale": 1,
    }
    assert story.notices() == {
        "frost_blind": 1,
        "planner_failed": 1,
        "readings_rejected": 1,
        "sensor_lost": 1,
        "started": 1,
    }

"""No battery for the clock: the machine boots in 1970, and is set right after an hour."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story

JANUARY_2027_S = 1_800_658_800.0
"""When the play begins [UTC s]."""


def test_1970_gives_no_heat_but_for_frost(make_stage: MakeStage) -> None:
    """Every reading is then from the future, and the first hour has no blind frost duty."""
    stage = make_stage(clock_off_s=5.0 - JANUARY_2027_S)
    stage.run(hours=1)
    stage.set_clock(0.0)
    stage.run(hours=2)

    story = Story(stage).judge()
    assert story.on_s(0.0, 3600.0) == 0.0
    assert story.on_s(3600.0) > 6900.0
    assert story.reasons() == {
        "clock_jump jumped": 1,
        "first_run not_yet": 1,
        "frost_protection blind_spent": 1,
        "frost_protection cold": 1,
        "stale_reading missing": 1,
    }
    assert story.notices() == {"frost_blind": 1, "readings_rejected": 1, "started": 1}

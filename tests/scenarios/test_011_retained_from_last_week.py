"""At the start the broker holds last week's readings, and the sensors are dead."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.devices import silent
from tests.scenarios.judge import Story


def test_last_weeks_readings_never_count(make_stage: MakeStage) -> None:
    """Of a zone that nobody can see, nothing but the blind frost duty asks for heat."""
    stage = make_stage()
    for sensor in stage.wires.sent:
        stage.wires.meddle(sensor, silent)
    stage.hand_out_retained(age_s=7 * 86400.0)
    stage.run(hours=3)

    story = Story(stage).judge()
    assert story.on_s(0.0, 3600.0) == 0.0
    assert story.hottest_hour_s() == 900.0
    assert story.rungs() == ["frost_only"]
    assert story.reasons() == {
        "first_run not_yet": 1,
        "frost_protection blind": 2,
        "frost_protection blind_spent": 3,
        "stale_reading stale": 1,
    }

"""A slug of hot water passes the supply sensor."""

from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.devices import fixed
from tests.scenarios.judge import Story


def test_a_hot_slug_stops_the_heat_for_a_while(make_stage: MakeStage, measured: Measured) -> None:
    """One reading above the limit is a trip and no lockout: preheat goes on after five minutes."""
    stage = make_stage()
    stage.preheat()
    hot_s = stage.at_s
    stage.wires.meddle("loop-supply", fixed(70.0))
    stage.run(minutes=1)
    stage.wires.repair("loop-supply")
    stage.run(minutes=30)

    story = Story(stage).judge()
    measured(story.off_after_s(hot_s))
    assert story.reasons() == {"first_run not_yet": 1, "supply_over_temperature too_hot": 1}
    assert story.on_s(hot_s) == 1560.0

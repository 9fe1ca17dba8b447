"""The slab sensor goes on sending one and the same value."""

from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.devices import fixed
from tests.scenarios.judge import Story


def test_a_stuck_slab_sensor_is_unknown(make_stage: MakeStage, measured: Measured) -> None:
    """While the heater runs a slab cannot stand still: found out, and no heat on it."""
    stage = make_stage()
    stage.preheat()
    stuck_s = stage.at_s
    stage.wires.meddle("bay-slab", fixed(10.0))
    stage.run(hours=2)

    story = Story(stage).judge()
    measured(story.off_after_s(stuck_s))
    assert story.reasons() == {
        "first_run not_yet": 1,
        "stale_reading doubted": 1,
        "stuck_reading stuck": 1,
    }

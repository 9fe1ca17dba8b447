"""A lockout in hard frost with nobody near."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.devices import fixed
from tests.scenarios.judge import Story


def test_a_lockout_holds_until_it_is_acknowledged(make_stage: MakeStage) -> None:
    """No heat for frost either, through a restart too; one acknowledgement brings all back."""
    stage = make_stage(outdoor_c=-10.0, tick_s=30.0, replan_s=3 * 3600.0)
    stage.preheat()
    hot_s = stage.at_s
    stage.wires.meddle("loop-supply", fixed(70.0))
    stage.run(minutes=5)
    stage.wires.repair("loop-supply")
    stage.run(hours=8)
    stage.kill()
    stage.run(hours=1)
    acknowledged_s = stage.at_s
    stage.acknowledge()
    stage.run(hours=1)

    story = Story(stage).judge()
    assert story.on_s(hot_s + 120.0, acknowledged_s) == 0.0
    assert story.on_s(acknowledged_s) > 3000.0
    assert story.reasons() == {
        "first_run not_yet": 2,
        "frost_protection blind": 1,
        "frost_protection cold": 2,
        "lockout locked_out LOCKOUT": 1,
        "stale_reading missing": 1,
        "supply_over_temperature too_hot": 1,
        "supply_over_temperature too_hot LOCKOUT": 1,
    }
    assert story.notices()["acknowledged"] == 1

"""Six hours without power in the middle of preheat."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.devices import fixed
from tests.scenarios.judge import Story


def test_preheat_goes_on_after_a_power_cut(make_stage: MakeStage) -> None:
    """The store tells what was learnt and booked; heat begins again once readings are fresh."""
    stage = make_stage()
    stage.preheat()
    stage.power_cut(hours=6)
    back_s = stage.at_s
    stage.run(hours=1)

    story = Story(stage).judge()
    assert story.on_s(back_s) == 3300.0
    assert story.reasons() == {"first_run not_yet": 2}


def test_a_lockout_outlives_a_power_cut(make_stage: MakeStage) -> None:
    """A machine that boots anew still knows that it is locked out."""
    stage = make_stage()
    stage.preheat()
    stage.wires.meddle("loop-supply", fixed(70.0))
    stage.run(minutes=3)
    stage.wires.repair("loop-supply")
    stage.power_cut(hours=6)
    back_s = stage.at_s
    stage.run(hours=1)

    story = Story(stage).judge()
    assert story.on_s(back_s) == 0.0
    assert story.reasons() == {
        "first_run not_yet": 2,
        "lockout locked_out LOCKOUT": 1,
        "supply_over_temperature too_hot": 1,
        "supply_over_temperature too_hot LOCKOUT": 1,
    }

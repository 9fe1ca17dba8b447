"""The boiler's own thermostat has failed, and its element is far too strong."""

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.judge import Story


def test_a_truly_hot_supply_is_stopped(make_stage: MakeStage, measured: Measured) -> None:
    """The limit on the supply ends the heat at the next reading."""
    stage = make_stage()
    stage.preheat(minutes=0.0)
    stage.break_thermostat(rating_w=40_000.0)
    stage.run(minutes=10)

    story = Story(stage).judge(but=["limits"])
    hot_s = next(m.at_s for m in stage.minutes if m.truth["boiler"]["supply"] > 55.0) - 60.0
    measured(story.off_after_s(hot_s))
    assert story.highest(Role.SUPPLY) < 65.0
    assert story.reasons() == {"first_run not_yet": 1, "supply_over_temperature too_hot": 1}

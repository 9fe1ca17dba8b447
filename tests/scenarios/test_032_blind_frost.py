"""The owner is away for two weeks, and the slab sensor is dead."""

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage
from tests.scenarios.devices import silent
from tests.scenarios.judge import Story


def test_the_blind_duty_keeps_the_pipes(make_stage: MakeStage, long: bool) -> None:
    """At -8 °C day and night, 15 min of heat an hour keep slab and return above freezing."""
    stage = make_stage(sessions=(), outdoor_c=-8.0, tick_s=60.0, plans=False)
    stage.wires.meddle("bay-slab", silent)
    stage.run(hours=24 * (14 if long else 1))

    story = Story(stage).judge()
    assert story.hottest_hour_s() == 900.0
    assert story.lowest(Role.SLAB) > 3.0
    assert story.lowest(Role.RETURN) > 3.0
    spells = round(story.on_s() / 900.0)
    reasons = story.reasons()
    assert reasons.pop("frost_protection blind") == spells
    assert abs(reasons.pop("frost_protection blind_spent") - spells) <= 1
    assert reasons == {"first_run not_yet": 1, "stale_reading missing": 1}

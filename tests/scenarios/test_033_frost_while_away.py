"""The owner is away in hard frost, and everything works."""

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


def test_frost_protection_keeps_the_pipes(make_stage: MakeStage, long: bool) -> None:
    """At -18 °C day and night slab and return stay well above freezing."""
    stage = make_stage(sessions=(), outdoor_c=-18.0, tick_s=60.0, plans=False)
    stage.run(hours=24 * (14 if long else 1))

    story = Story(stage).judge()
    assert story.lowest(Role.SLAB) > 5.0
    assert story.lowest(Role.RETURN) > 5.0
    if not long:
        times = story.reasons()["frost_protection cold"]
        assert story.reasons() == {"first_run not_yet": 1, "frost_protection cold": times}
        assert times == 2 or (times == 3 and stage.seed > 2), "some slabs cool sooner"

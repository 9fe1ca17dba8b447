"""The relay's contact never closes."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


def test_a_relay_that_never_closes_is_told(make_stage: MakeStage) -> None:
    """A warning within a minute; a second run in which no heat comes either locks out."""
    stage = make_stage()
    stage.lines["boiler"].stuck_open = True
    stage.run(hours=1)

    story = Story(stage).judge()
    assert story.on_s() == 0.0
    assert story.reasons() == {
        "first_run not_yet": 1,
        "lockout locked_out LOCKOUT": 1,
        "no_flow_or_no_heat again_nothing LOCKOUT": 1,
        "no_flow_or_no_heat nothing_comes": 1,
        "relay_read_back off_when_on": 2,
    }

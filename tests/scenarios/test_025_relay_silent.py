"""The relay's reports stop in the middle of preheat."""

from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.judge import Story


def test_a_silent_relay_opens_by_itself(make_stage: MakeStage, measured: Measured) -> None:
    """An ON that answers an old report is refused by the board: off when the lease is over."""
    stage = make_stage()
    stage.preheat()
    silent_s = stage.at_s
    stage.lines["boiler"].mute = True
    stage.run(hours=1)
    back_s = stage.at_s
    stage.lines["boiler"].mute = False
    stage.run(minutes=30)

    story = Story(stage).judge()
    measured(story.off_after_s(silent_s))
    assert story.on_s(back_s) > 1700.0
    assert story.reasons() == {
        "first_run not_yet": 1,
        "relay_read_back off_when_on": 1,
        "relay_read_back silent": 1,
    }

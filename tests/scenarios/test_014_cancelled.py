"""The booking is cancelled in the middle of preheat."""

from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.judge import Story


def test_a_cancelled_booking_ends_preheat(make_stage: MakeStage, measured: Measured) -> None:
    """The next tick reads the file, and stops; nothing is heated for afterwards."""
    stage = make_stage()
    stage.preheat()
    cancelled_s = stage.at_s
    stage.book()
    stage.run(hours=2)

    story = Story(stage).judge()
    measured(story.off_after_s(cancelled_s))
    assert story.on_s(cancelled_s) == 0.0
    assert story.reasons() == {"first_run not_yet": 1}
    assert story.notices() == {"configuration_loaded": 1, "started": 1}

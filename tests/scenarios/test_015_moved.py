"""The booking is moved by a day in the middle of preheat, and back again."""

from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.judge import Story


def test_a_moved_booking_is_followed(make_stage: MakeStage, measured: Measured) -> None:
    """Preheat ends when the session moves away, and begins again when it comes back."""
    stage = make_stage()
    stage.preheat()
    moved_s = stage.at_s
    stage.book("2027-01-25 09:00-12:00 16")
    stage.run(hours=2)
    back_s = stage.at_s
    stage.book("2027-01-23 09:00-12:00 16")
    stage.run(hours=1)

    story = Story(stage).judge()
    measured(story.off_after_s(moved_s))
    assert story.on_s(moved_s, back_s) == 0.0
    assert story.on_s(back_s) == 3590.0
    assert story.reasons() == {"first_run not_yet": 1}
    assert story.notices() == {"configuration_loaded": 2, "started": 1}

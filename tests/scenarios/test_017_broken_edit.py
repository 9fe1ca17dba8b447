"""An edit with a mistake, of each file, in the middle of preheat."""

import pytest

from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("site.yaml", "rating_kw: 9", "rating_kw: nine"),
        ("limits.yaml", "slab_max_c: 40", "slab_max_c: 60"),
        ("bookings.yaml", "start: 09:00", "start: 9 o'clock"),
    ],
)
def test_a_broken_edit_changes_nothing(
    make_stage: MakeStage, file: str, old: str, new: str
) -> None:
    """The last good version stays in force, with an alarm while the mistake is there."""
    stage = make_stage()
    stage.preheat()
    stage.edit(file, old, new)
    stage.run(minutes=20)
    stage.edit(file, new, old)
    stage.run(minutes=10)

    story = Story(stage).judge()
    assert story.on_s() == stage.at_s - 300.0
    assert story.reasons() == {"first_run not_yet": 1}
    assert story.notices() == {"kept_last_configuration": 1, "started": 1}

"""Slab and air sensor with their topics swapped."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


def test_swapped_sensors_pass_no_limit(make_stage: MakeStage) -> None:
    """Slab and air are taken for one another: nobody notices at first, and no limit is passed."""
    stage = make_stage()
    stage.wires.swap("bay-slab", "bay-air")
    stage.run(hours=6)

    story = Story(stage).judge()
    assert story.reasons() == {"first_run not_yet": 1}

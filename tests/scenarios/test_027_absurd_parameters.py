"""The learnt parameters in the store have become nonsense."""

import pytest

from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


@pytest.mark.parametrize("nonsense", ["NaN", "-1.0", "1e30", '"many"', "[1, 2]", "{}"], ids=repr)
def test_absurd_parameters_are_learnt_anew(make_stage: MakeStage, nonsense: str) -> None:
    """The description takes their place, and preheat goes on after the restart."""
    stage = make_stage()
    stage.preheat(minutes=10.0)
    stage.spoil_parameters(nonsense)
    stage.kill()
    stage.run(minutes=20)

    story = Story(stage).judge()
    assert story.on_s(stage.at_s - 600.0) == 600.0
    assert story.reasons() == {"first_run not_yet": 2, "stale_reading missing": 1}
    assert story.notices() == {"started": 2}

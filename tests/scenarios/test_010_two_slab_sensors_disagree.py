"""Two slab sensors in one slab, one of which drifts away."""

from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.judge import Story

SECOND = """sensors:
  bay-slab-2:
    role: slab
    subject: boat-bay
    topic: tern-quay/bay/slab2
    unit: °C
    value_pointer: /value
    time_pointer: /time
"""


def test_two_that_disagree_are_unknown(make_stage: MakeStage, measured: Measured) -> None:
    """One reads 12 K more: neither is believed, and nothing heats."""
    stage = make_stage(edits=(("site.yaml", "sensors:\n", SECOND),))
    stage.preheat()
    apart_s = stage.at_s
    stage.wires.meddle("bay-slab-2", lambda value: value + 12.0)
    stage.run(hours=1)

    story = Story(stage).judge()
    measured(story.off_after_s(apart_s))
    assert story.reasons() == {
        "first_run not_yet": 1,
        "sensors_that_disagree apart": 1,
        "stale_reading doubted": 1,
    }

"""The slab probe fails hot in the middle of preheat: within its span, and beyond it."""

from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.devices import fixed
from tests.scenarios.judge import Story


def test_a_slab_probe_failed_hot_locks_out(make_stage: MakeStage, measured: Measured) -> None:
    """Unknown at once, believed after ten minutes, then locked out: frost goes unguarded."""
    stage = make_stage()
    stage.preheat()
    hot_s = stage.at_s
    stage.wires.meddle("bay-slab", fixed(50.0))
    stage.run(hours=1)

    story = Story(stage).judge()
    measured(story.off_after_s(hot_s))
    assert story.on_s(hot_s + 120.0) == 0.0
    assert story.reasons() == {
        "first_run not_yet": 1,
        "floor_surface estimated_too_hot": 1,
        "implausible_reading implausible": 1,
        "lockout locked_out LOCKOUT": 1,
        "slab_over_temperature too_hot": 1,
        "slab_over_temperature too_hot LOCKOUT": 1,
    }


def test_an_open_slab_circuit_is_unknown(make_stage: MakeStage, measured: Measured) -> None:
    """What no slab can read is a glitch for ten minutes, then unknown: no heat, and no lockout."""
    stage = make_stage()
    stage.preheat()
    hot_s = stage.at_s
    stage.wires.meddle("bay-slab", fixed(125.0))
    stage.run(hours=1)

    story = Story(stage).judge()
    measured(story.off_after_s(hot_s))
    assert story.reasons() == {"first_run not_yet": 1, "implausible_reading implausible": 1}

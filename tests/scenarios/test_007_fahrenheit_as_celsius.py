"""A slab sensor that sends °F where the site file says °C."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.devices import fahrenheit
from tests.scenarios.judge import Story


def test_fahrenheit_sent_as_celsius_gives_no_heat(
    make_stage: MakeStage,
) -> None:
    """A slab of 9 °C reads 48: that is too hot, and locks out until somebody has looked."""
    stage = make_stage()
    stage.wires.meddle("bay-slab", fahrenheit)
    stage.run(hours=1)

    story = Story(stage).judge()
    assert story.on_s() == 0.0
    # in some buildings the surface estimated from 48 °C is too hot as well
    reasons = story.reasons()
    reasons.pop("floor_surface estimated_too_hot", None)
    assert reasons == {
        "first_run not_yet": 1,
        "lockout locked_out LOCKOUT": 1,
        "slab_over_temperature too_hot": 1,
        "slab_over_temperature too_hot LOCKOUT": 1,
    }

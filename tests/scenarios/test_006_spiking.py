"""A loose contact: one slab value in ten is nonsense, high or low."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.devices import spiking
from tests.scenarios.judge import Story


def test_spikes_neither_trip_nor_stop_the_heat(make_stage: MakeStage) -> None:
    """Spikes are counted and kept away from every rule but that of the hot slab."""
    stage = make_stage()
    stage.wires.meddle("bay-slab", spiking(every=10, low=-20.0, high=85.0))
    stage.run(hours=4)

    story = Story(stage).judge()
    assert story.on_s() == 14_100.0
    assert story.reasons() == {"first_run not_yet": 1}
    assert story.notices() == {"readings_rejected": 1, "started": 1}

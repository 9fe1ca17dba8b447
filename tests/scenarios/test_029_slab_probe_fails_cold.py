"""The slab probe fails cold: it reads -5 °C from the middle of preheat on."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.devices import fixed
from tests.scenarios.judge import Story


def test_a_slab_probe_failed_cold_heats_for_a_while(make_stage: MakeStage) -> None:
    """Frost protection believes it, until it is found to stand still under heat."""
    stage = make_stage(sessions=("2027-01-22 20:00-21:00 12",), outdoor_c=8.0)
    stage.preheat()
    cold_s = stage.at_s
    stage.wires.meddle("bay-slab", fixed(-5.0))
    stage.run(hours=3)

    story = Story(stage).judge()
    assert story.on_s(cold_s + 2.0 * 3600.0) == 0.0
    assert story.reasons() == {
        "first_run not_yet": 1,
        "frost_protection cold": 1,
        "implausible_reading implausible": 1,
        "stale_reading doubted": 1,
        "stuck_reading stuck": 1,
    }

"""Power is away from the boiler alone while heat is wanted: its breaker, or the utility."""

from controller.interlocks.no_flow_or_no_heat import REST_S
from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


def test_a_boiler_without_power_is_tried_again(make_stage: MakeStage) -> None:
    """Six hours of it end in no lockout: an alarm stands, and heat comes back with the power."""
    stage = make_stage()
    stage.preheat()
    with stage.boiler_cut_off():
        stage.run(hours=6)
    back_s = stage.at_s
    stage.run(hours=1)

    story = Story(stage).judge()
    assert story.on_s(back_s) >= 3600.0 - REST_S
    assert story.reasons() == {
        "first_run not_yet": 1,
        "no_flow_or_no_heat no_power": 14,
        "no_flow_or_no_heat nothing_comes": 1,
        "no_flow_or_no_heat still_no_power": 14,
    }
    assert story.notices()["no_power"] == 1


def test_frost_protection_comes_back_with_the_power(make_stage: MakeStage) -> None:
    """Nobody there, a day and night of frost: a lockout would leave the pipes alone for weeks."""
    stage = make_stage(outdoor_c=-12.0, plans=False, sessions=())
    stage.preheat(within_h=72.0)
    with stage.boiler_cut_off():
        stage.run(hours=4)
    back_s = stage.at_s
    stage.run(hours=2)

    story = Story(stage).judge()
    assert story.on_s(back_s) >= 7200.0 - REST_S
    assert story.reasons() == {
        "first_run not_yet": 1,
        "frost_protection cold": 1,
        "no_flow_or_no_heat no_power": 9,
        "no_flow_or_no_heat nothing_comes": 1,
        "no_flow_or_no_heat still_no_power": 9,
    }
    assert story.notices()["no_power"] == 1

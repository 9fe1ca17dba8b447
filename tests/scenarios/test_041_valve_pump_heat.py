"""A zone valve and a circulation pump that the service switches, before heat and after it."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story
from tests.scenarios.sites import BAY_VALVE, CIRCULATOR
from tests.scenarios.stage import Setting


def test_they_come_before_the_heat_and_outlast_it(make_stage: MakeStage) -> None:
    """The valve takes 180 s, the pump 10 s to be proven; it runs on for 300 s, the valve 600 s."""
    stage = make_stage(edits=BAY_VALVE + CIRCULATOR, sessions=())
    stage.run(minutes=15)
    stage.book(*Setting.sessions)
    stage.preheat()
    stage.book()
    stage.run(minutes=30)

    story = Story(stage).judge()
    [(heat_s, off_s)] = story.spans_s("boiler")
    # what was before the start is not known: the first of each is the overrun that may be owed
    [owed, (runs_s, stops_s)] = story.spans_s("circulator")
    [way_owed, (open_s, shut_s)] = story.spans_s("bay-valve")
    assert (owed[1], way_owed[1]) == (300.0, 600.0)
    assert (runs_s, heat_s) == (open_s, open_s + 10.0)
    assert (stops_s, shut_s) == (off_s + 300.0, off_s + 600.0)
    assert story.reasons() == {
        "first_run not_yet": 1,
        "outputs pump_starting": 1,
        "outputs valves_opening": 1,
    }

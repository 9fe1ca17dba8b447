"""Two zones behind valves on one heater, of which one has a session and the other has none."""

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story
from tests.scenarios.sites import BAY_VALVE, PAINT_VALVE, TWO_ZONES


def test_the_other_valve_stays_shut(make_stage: MakeStage) -> None:
    """The bay is ready, and the paint room's slab is no warmer than when it began."""
    stage = make_stage(
        edits=TWO_ZONES + BAY_VALVE + PAINT_VALVE,
        start="2027-01-23 03:00",
        sessions=("2027-01-23 09:00-11:00 12 boat-bay",),
        outdoor_c=8.0,
    )
    begun_c = stage.workshop.truth()["slab@paint-room"]
    stage.run(hours=7)

    story = Story(stage).judge()
    assert story.room_c("2027-01-23 09:00", zone="boat-bay") >= 11.5
    assert story.highest(Role.SLAB, zone="paint-room") < begun_c + 0.5
    # open for the overrun that may be owed from before the start, and for no heat after that
    assert all(until_s <= 900.0 for _, until_s in story.spans_s("paint-valve"))
    assert story.reasons() == {"first_run not_yet": 1}

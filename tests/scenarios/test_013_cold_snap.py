"""It turns 10 K colder than the season in the night before a session."""

from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


def test_a_cold_snap_costs_heat_not_readiness(make_stage: MakeStage) -> None:
    """A plan made for a mild night is made anew as the night turns cold."""
    stage = make_stage(
        start="2027-01-22 17:00",
        edits=(("site.yaml", "rating_kw: 9", "rating_kw: 12"),),
        colder_k=10.0,
        colder_since="2027-01-22 21:00",
        tick_s=30.0,
    )
    stage.run(hours=16)

    story = Story(stage).judge()
    assert story.room_c("2027-01-23 09:00") >= 15.5
    assert story.troubles() == {"first_run not_yet": 1}

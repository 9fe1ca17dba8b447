"""A slab of 300 mm that needs days of heat."""

from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.judge import Story

HEAVY = (
    ("site.yaml", "slab_thickness_mm: 150", "slab_thickness_mm: 300"),
    ("site.yaml", "tube_depth_mm: 75", "tube_depth_mm: 120"),
    ("site.yaml", "insulation_thickness_mm: 100", "insulation_thickness_mm: 50"),
)


def test_a_long_run_is_broken_by_rests(make_stage: MakeStage, measured: Measured) -> None:
    """After 12 h of heat the relay is seen to open for 10 min, as often as that comes about."""
    stage = make_stage(
        edits=HEAVY, colder_k=8.0, sessions=("2027-01-24 09:00-12:00 18",), tick_s=30.0,
        replan_s=3 * 3600.0,
    )  # fmt: skip
    stage.preheat(minutes=0.0)
    begun_s = stage.at_s
    stage.run(hours=25)

    story = Story(stage).judge()
    measured(story.off_after_s(begun_s))
    assert story.reasons() == {"first_run not_yet": 1, "maximum_run resting": 2}

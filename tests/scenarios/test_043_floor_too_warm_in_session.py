"""A session with a low limit of its own for the floor, and no planner that would know of it."""

import pytest

from controller.records.site import Role
from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.judge import Story
from tests.scenarios.sites import Edits, with_sensor

LOW: Edits = (
    ("limits.yaml", "surface_session_max_c: 29", "surface_session_max_c: 15"),
    ("site.yaml", "rating_kw: 9", "rating_kw: 18"),
)


@pytest.mark.parametrize(
    ("fitted", "reason"),
    [(with_sensor(Role.FLOOR_SURFACE, "boat-bay"), "too_hot"), ((), "estimated_too_hot")],
    ids=["measured", "estimated"],
)
def test_heat_ends_at_the_sessions_limit(
    make_stage: MakeStage, measured: Measured, fitted: Edits, reason: str
) -> None:
    """The floor is at its limit before the room is warm: a trip and no lockout."""
    sessions = ("2027-01-22 19:00-23:00 13",)
    stage = make_stage(edits=LOW + fitted, sessions=sessions, plans=False, outdoor_c=4.0)
    while not Story(stage).rows_with("floor_surface", reason) and stage.at_s < 5 * 3600.0:
        stage.run(minutes=2)
    stage.run(minutes=3)

    story = Story(stage).judge()
    over = [m.at_s for m in stage.minutes if m.truth["boiler"]["floor_surface"] > 15.0]
    measured(story.off_after_s(over[0]) if over else 0.0)
    # below: an estimate is warm by up to 3 K while a slab warms so quickly; above: the sensor's own
    # error, and what the slab still gives
    assert 12.0 < story.highest(Role.FLOOR_SURFACE) < 16.0
    assert not stage.lines["boiler"].closed
    # at the limit a sixteenth of a kelvin brings the verdict and takes it away
    assert story.reasons().keys() == {"first_run not_yet", f"floor_surface {reason}"}

"""A session across each night on which the clocks change, here and in Europe."""

import pytest

from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


@pytest.mark.parametrize(
    ("zone", "evening", "morning", "hours"),
    [
        ("America/New_York", "2027-03-13", "2027-03-14", 5.0),
        ("America/New_York", "2026-10-31", "2026-11-01", 7.0),
        ("Europe/Berlin", "2027-03-27", "2027-03-28", 5.0),
        ("Europe/Berlin", "2026-10-24", "2026-10-25", 7.0),
    ],
)
def test_a_session_across_a_change_of_clocks(
    make_stage: MakeStage, zone: str, evening: str, morning: str, hours: float
) -> None:
    """It is an hour shorter or longer, warm to its end, and no rule takes it for a clock jump."""
    stage = make_stage(
        start=f"{evening} 10:00", sessions=(f"{evening} 23:00-05:00 15",), outdoor_c=4.0,
        edits=(("site.yaml", "America/New_York", zone),), tick_s=30.0, replan_s=3 * 3600.0,
    )  # fmt: skip
    stage.run_until(f"{morning} 05:00")

    story = Story(stage).judge()
    (session,) = stage.sessions()
    assert session.end_s - session.start_s == hours * 3600.0
    assert story.room_c(f"{evening} 23:00") >= 14.5
    assert story.room_c(f"{morning} 04:50") >= 14.0
    assert story.troubles() == {"first_run not_yet": 1}

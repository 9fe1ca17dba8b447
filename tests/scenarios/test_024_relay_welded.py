"""The relay's contact has welded: it stays closed whatever it is told."""

import itertools

from tests.scenarios.conftest import MakeStage
from tests.scenarios.judge import Story


def test_a_welded_relay_is_cried_out(make_stage: MakeStage) -> None:
    """Only a breaker or a hard-wired stat can help: lockout, and the alarm again each minute."""
    stage = make_stage()
    stage.preheat()
    stage.lines["boiler"].welded = True
    told_off_s = stage.at_s
    stage.book()
    stage.run(hours=1)

    story = Story(stage).judge(but=["lease"])
    assert story.on_s(told_off_s) == 3600.0
    rows = story.rows_with("relay_read_back", "on_when_off")
    times_s = [row.at.utc_s - stage.began_utc_s - told_off_s for row in rows]
    assert times_s[0] == 30.0
    assert max(b - a for a, b in itertools.pairwise(times_s)) <= 60.0
    assert story.reasons() == {
        "first_run not_yet": 1,
        "lockout locked_out LOCKOUT": 1,
        "relay_read_back on_when_off": 1,
        "relay_read_back on_when_off LOCKOUT": 1,
    }
    assert story.notices() == {
        "configuration_loaded": 1,
        "heat_after_off": 1,
        "locked_out": 1,
        "started": 1,
    }

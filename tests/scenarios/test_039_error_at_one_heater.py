"""Two heaters, and the service's own code fails at one of them: in a rule, and in deciding."""

from typing import Any

import pytest

from controller import guard
from controller.interlocks import floor_surface
from tests.scenarios.conftest import MakeStage, Measured
from tests.scenarios.judge import Story
from tests.scenarios.sites import TWO_HEATERS
from tests.scenarios.test_038_one_heater_locked_out import BOTH

FAULTS = {
    "rule": (floor_surface, "judge", {"floor_surface failed": 1}, {}),
    "deciding": (guard, "decide", {"service unexpected_error": 1}, {"unexpected_error": 1}),
}


@pytest.mark.parametrize("where", FAULTS)
def test_an_error_costs_that_heater_alone(
    make_stage: MakeStage, measured: Measured, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """OFF at the next tick for the bay's boiler while it lasts, nothing for the paint room's."""
    module, name, reasons, notices = FAULTS[where]
    sound = getattr(module, name)

    def failing(of: Any, *others: Any, **more: Any) -> Any:
        zones = [getattr(zone, "id", zone) for zone in of.zones]
        return 1 / 0 if zones == ["boat-bay"] else sound(of, *others, **more)

    stage = make_stage(edits=TWO_HEATERS, sessions=BOTH)
    stage.preheat()
    broken_s = stage.at_s
    monkeypatch.setattr(module, name, failing)
    stage.run(minutes=20)
    monkeypatch.undo()
    mended_s = stage.at_s
    stage.run(minutes=20)

    struck, other = Story(stage, "boiler").judge(), Story(stage, "paint-boiler").judge()
    measured(struck.off_after_s(broken_s))
    assert struck.on_s(broken_s, mended_s) == 0.0
    assert struck.on_s(mended_s) == 1200.0
    assert struck.reasons() == {"first_run not_yet": 1, **reasons}
    assert struck.notices() == {"started": 1, **notices}
    assert other.on_s(broken_s) == 2400.0
    assert (other.reasons(), other.notices()) == ({"first_run not_yet": 1}, {"started": 1})

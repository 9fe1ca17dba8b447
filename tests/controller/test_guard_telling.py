"""The guard when what it did cannot be told."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from controller import guard as guard_module
from controller.records.decision import Decision
from tests.controller.builders import MILD, air, outdoor, slab
from tests.controller.guard_bench import MILD_LOFT, Workshop, sent


def test_an_error_in_telling_takes_no_frost_heat_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sentence that cannot be made is no ruling: it costs this heater its planned heat alone."""
    failing = Workshop(tmp_path)

    def headline(decision: Decision, background: Any) -> str:
        failing.fault.strike("say", decision.heater)
        return "told"

    monkeypatch.setattr(guard_module, "headline", headline)
    failing.heat()
    failing.intake.readings = (slab(3.0), air(3.0), outdoor(-9.0), *MILD_LOFT)
    failing.fault.at, failing.fault.only = "say", "boiler"
    commands = sent(failing.run(600.0))
    assert all(c.heat for c in commands if c.heater == "boiler")
    assert all(c.heat for c in commands if c.heater == "kettle")
    failing.intake.readings = (*MILD, *MILD_LOFT)
    failing.guard._heaters[0].last = None  # something to say at the next tick
    failing.run(20.0)
    assert failing.last_sent() == {"boiler": False, "kettle": True}
    failing.fault.at = None
    failing.run(320.0)
    assert failing.last_sent() == {"boiler": True, "kettle": True}

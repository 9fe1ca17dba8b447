"""At least 100,000 ticks of random histories, the same ones each time."""

from __future__ import annotations

import pytest

from tests.histories.rounds import play

TICKS = 100_000


@pytest.mark.timeout(900)  # 40 s of one core to itself; here all of them may be busy
def test_nothing_that_must_not_happen_happens() -> None:
    """Whatever fails, no invariant breaks, and as many ticks as promised were really played."""
    played = play(ticks=TICKS, first_seed=1)
    print(f"{played.ticks} ticks in {played.histories} histories, seeds {played.seeds}")
    assert played.ticks >= TICKS
    # a walk that heats or fails at nothing would prove nothing
    assert played.on_ticks > 0.1 * TICKS
    assert played.locked > 0
    assert played.blind_ticks > 0
    assert played.cries > 0

"""Heat that a plan gives for the frost floor, and what it is called."""

from __future__ import annotations

from controller.records.plan import BlockReason

HOUR_S = 3600.0


def test_without_sessions_a_cold_room_gets_its_frost_floor_and_no_more(workshop, session):
    """All heat is for the frost floor, and the expected room stays near it."""
    shop = workshop(seed=2, mean_outdoor_c=-8.0)
    shop.idle(24)
    plan = shop.plan(())
    reasons = {b.reason for b in plan.blocks if b.heat}
    later = [p.air_c for p in plan.outlooks[0].points[96:]]
    assert reasons == {BlockReason.FROST_FLOOR}
    # half a kelvin either side: one on-time of 20 min raises the room by about that
    assert 5.2 < min(later) < max(later) < 6.8


def test_frost_heat_days_before_a_session_is_none_of_its_preheat(workshop, session):
    """What is gone again by then was for the frost floor, and the pause after it is no coast-up."""
    shop = workshop(seed=2, mean_outdoor_c=-8.0)
    shop.idle(24)
    wanted = session(144, 148)
    blocks = shop.plan((wanted,)).blocks
    preheat_s = min(b.start_s for b in blocks if b.heat and b.reason is BlockReason.PREHEAT)
    assert 0.0 < wanted.start_s - preheat_s < 36 * HOUR_S
    before = [b for b in blocks if b.start_s < preheat_s]
    assert {b.reason for b in before if b.heat} == {BlockReason.FROST_FLOOR}
    assert {b.reason for b in before if not b.heat} == {BlockReason.IDLE}
    assert before[0].start_s < wanted.start_s - 100 * HOUR_S

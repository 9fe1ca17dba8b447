"""What the interlocks are told of floors and loops, from the site file's numbers."""

from dataclasses import replace

import pytest

from controller.plant import loop_facts, zone_facts
from tests.controller.builders import RATING_W, make_site, make_zone


def test_a_floor_in_numbers() -> None:
    """48 m2 of 150 mm concrete, tubes 75 mm deep, bare and under 0.1 m2K/W of boards."""
    zone = make_zone()
    facts = zone_facts(zone)
    assert facts.slab_j_k == pytest.approx(48.0 * 0.15 * 2300.0 * 880.0)
    assert facts.slab_to_surface_m2k_w == pytest.approx(0.075 / 2.0)
    boards = replace(zone, floor=replace(zone.floor, covering_resistance_m2k_w=0.1))
    assert zone_facts(boards).slab_to_surface_m2k_w == pytest.approx(0.1375)


def test_the_time_round_a_loop() -> None:
    """240 m of 16 mm hold 48.3 l; at 9 kW and 10 K of spread they go round in 225 s."""
    site = make_site()
    loop, heater = site.loops[0], site.heaters[0]
    assert heater.rating_w == RATING_W
    alone = loop_facts(loop, heater, (loop,))
    assert alone.dead_time_s == pytest.approx(225.2, abs=0.5)
    # beside a loop twice as long it gets a third of the flow
    other = replace(loop, id="other", tube_length_m=480.0)
    assert loop_facts(loop, heater, (loop, other)).dead_time_s == pytest.approx(3 * 225.2, abs=2.0)


@pytest.mark.parametrize(
    ("fill_bar", "valve_bar", "low_bar", "high_bar"),
    [(1.2, 2.5, 0.7, 2.0), (0.8, 3.0, 0.5, 2.5), (1.5, 3.0, 1.0, 2.5)],
)
def test_the_limits_of_a_loop(
    fill_bar: float, valve_bar: float, low_bar: float, high_bar: float
) -> None:
    """Half a bar below the fill, half a bar at least; half a bar below the relief valve."""
    site = make_site()
    loop = replace(site.loops[0], cold_fill_bar=fill_bar, relief_valve_bar=valve_bar)
    facts = loop_facts(loop, site.heaters[0], (loop,))
    assert (facts.low_bar, facts.high_bar) == pytest.approx((low_bar, high_bar))

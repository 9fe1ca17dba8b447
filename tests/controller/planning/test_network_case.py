"""What limits a zone's heat in a plan."""

from dataclasses import replace

from controller.interlocks.supply_over_temperature import UNSEEN_K
from controller.planning.network_case import slab_max_c
from controller.records.limits import Limits
from controller.records.site import Role, Sensor


def test_a_plan_keeps_to_the_lower_limit_where_no_supply_is_seen(workshop):
    """The interlock holds heat back 5 K earlier then: hoping for more stands still."""
    site = workshop(seed=1).site
    heater = site.heaters[0]
    sensor = Sensor("hot", Role.SUPPLY, heater.loops[0], "t", "C")
    unseen = replace(site, sensors=tuple(s for s in site.sensors if s.role is not Role.SUPPLY))
    seen = replace(unseen, sensors=(*unseen.sensors, sensor))
    assert slab_max_c(seen, heater, Limits()) == 40.0
    assert slab_max_c(unseen, heater, Limits()) == 40.0 - UNSEEN_K

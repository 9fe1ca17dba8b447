"""The base case of a site: the boiler runs its own pump, and all loops are open.

A rehearsed building has neither pump nor valves, so there is nothing to switch or to prove.
"""

from __future__ import annotations

from dataclasses import replace

from controller.records.site import Site


def base_case(site: Site) -> Site:
    """The same site without pumps, valves and their sensors."""
    outputs = {output.id for heater in site.heaters for output in site.outputs_of(heater)}
    return replace(
        site,
        heaters=tuple(replace(heater, pump=None) for heater in site.heaters),
        loops=tuple(replace(loop, valve=None) for loop in site.loops),
        sensors=tuple(sensor for sensor in site.sensors if sensor.subject not in outputs),
    )

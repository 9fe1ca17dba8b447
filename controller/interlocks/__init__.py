"""The interlocks: one rule per module. To add one, write its module and name it in ``RULES``.

All rules run at each tick, the worst verdict wins, and no setting switches one off. They import
the standard library and the shared records only.
"""

from __future__ import annotations

from controller.interlocks import (
    clock_jump,
    first_run,
    floor_surface,
    frost_protection,
    heat_not_taken,
    implausible_reading,
    lockout,
    loop_pressure,
    maximum_run,
    no_flow_or_no_heat,
    pump_proof,
    relay_reachable,
    relay_read_back,
    removed_role,
    sensors_that_disagree,
    service,
    short_cycle,
    slab_over_temperature,
    stale_reading,
    stuck_reading,
    supply_over_temperature,
)
from controller.interlocks.rule import Rule

RULES: tuple[Rule, ...] = (
    service,
    slab_over_temperature,
    floor_surface,
    supply_over_temperature,
    loop_pressure,
    no_flow_or_no_heat,
    heat_not_taken,
    stuck_reading,
    sensors_that_disagree,
    stale_reading,
    implausible_reading,
    removed_role,
    first_run,
    frost_protection,
    maximum_run,
    pump_proof,
    short_cycle,
    relay_reachable,
    relay_read_back,
    clock_jump,
    lockout,
)

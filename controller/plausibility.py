"""What each kind of sensor can possibly read, and how fast that can change.

The bounds are wide: they catch broken wires, wrong units and power-on values, not discomfort.
Beyond them a reading is *unknown*, never "too hot". All numbers here are common practice without
a source, or follow from the physics named beside them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from controller.records.site import Role


@dataclass(frozen=True, slots=True)
class Plausible:
    """The span of one role, and how far it may move, in house units.

    ``jump`` is allowed between any two readings (coarse steps of the sensor, noise, a message
    that left out the minutes before it); ``rate_per_min`` is allowed on top for the time between.
    """

    low: float
    high: float
    rate_per_min: float = math.inf
    jump: float = 0.0

    def holds(self, value: float) -> bool:
        """Whether a value lies within the span."""
        return self.low <= value <= self.high

    def reaches(self, change: float, *, elapsed_s: float) -> bool:
        """Whether the quantity can have changed by so much in that time.

        Parameters
        ----------
        change : float
            Difference of two readings, of either sign [house unit].
        elapsed_s : float
            Time between them [s].
        """
        if math.isinf(self.rate_per_min):
            return True
        return abs(change) <= self.jump + self.rate_per_min * max(0.0, elapsed_s) / 60.0


_BY_ROLE: Mapping[Role, Plausible] = MappingProxyType(
    {
        # a heavy slab warms 1 to 2 K an hour at most; 1 K a minute is a sensor pulled out of its
        # sleeve. Up to 60 so that a real over-temperature (45) is still believed and trips.
        Role.SLAB: Plausible(-30.0, 60.0, rate_per_min=1.0, jump=1.0),
        # sun, a carried-in sheet of steel or a hot lamp move the surface faster than the core
        Role.FLOOR_SURFACE: Plausible(-30.0, 70.0, rate_per_min=5.0, jump=2.0),
        # a wide door opened in frost: some 10 K a minute at a small sensor
        Role.AIR: Plausible(-40.0, 45.0, rate_per_min=10.0, jump=2.0),
        # a shower of rain on a sunlit sensor box; 50 is beyond the hottest shade of most places
        Role.OUTDOOR: Plausible(-50.0, 50.0, rate_per_min=5.0, jump=3.0),
        # no rate: when the pump starts, a hot slug reaches a cold pipe within seconds, and the
        # hard limit must see it. Beyond 120 °C a pressurised loop would be steam.
        Role.SUPPLY: Plausible(-30.0, 120.0),
        Role.RETURN: Plausible(-30.0, 120.0),
        # gauge pressure; a relief valve opens at 3 bar. A burst or a filling hose is quick, so
        # the rate must let a real loss through.
        Role.PRESSURE: Plausible(-0.2, 6.0, rate_per_min=6.0, jump=1.0),
        # a register that only counts up; six digits of kWh
        Role.ENERGY: Plausible(0.0, 1e6),
        # 1361 W/m2 outside the atmosphere, more for moments at cloud edges; a pyranometer reads
        # a little below 0 under a clear night sky
        Role.IRRADIANCE: Plausible(-20.0, 1800.0),
        # m/s: the strongest gusts near the ground in a storm
        Role.WIND: Plausible(0.0, 75.0),
        # any currency for one kWh, negative in hours of surplus, in cents too
        Role.PRICE: Plausible(-1000.0, 1000.0),
        # W, both ways through the meter of a house or a small business
        Role.SOLAR_SURPLUS: Plausible(-1e5, 1e5),
        Role.RELAY_STATE: Plausible(0.0, 1.0),
    }
)

_POWER_LOW, POWER_HIGH = -0.05, 2.0
"""Power as a part of the rating: a clamp around no current reads a little below 0."""


def plausible(role: Role, *, rating_w: float) -> Plausible:
    """Bounds of one role.

    Parameters
    ----------
    role : Role
    rating_w : float
        The rating of the heater that the sensor belongs to [W]; only power is judged by it.

    Returns
    -------
    Plausible
        In house units.
    """
    if role is Role.POWER:
        return Plausible(_POWER_LOW * rating_w, POWER_HIGH * rating_w)
    return _BY_ROLE[role]

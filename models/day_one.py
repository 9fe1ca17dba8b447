"""The response to expect of a workshop before it has any history, from its description.

Slab and room are taken as two masses in a row with all loss from the room; their response to
heat in the slab is then brought down to one time constant and a dead time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from models.belief import Belief, as_covariance
from models.first_order import FirstOrder

# A field "off by up to 25 %" is taken as uniform over that span, as logs near enough.
_FIELD_VARIANCE = 0.25**2 / 3.0

# How many independent fields multiply in each quantity, so how often their variance counts.
_CAPACITY_FIELDS = 4  # area, thickness, density, heat capacity
_LOSS_FIELDS = 3  # area, thickness, conductivity of the surface that counts most
_RATING_FIELDS = 1
_COUPLING_FIELDS = 4  # floor area, concrete over the tubes, its conductivity, covering
_ROOM_FIELDS = 3  # volume, lining, what stands in the room

# What one time constant cannot say of a slab, a room and the ground (chosen here, no source).
_FORM_VARIANCE = 0.15**2
_DEAD_TIME_FORM_VARIANCE = 0.5**2
_GUESSED_VARIANCE = 0.5**2  # of what follows from a building's size alone (chosen here, no source)

_OFFSET_SD_K = 2.5  # ground warmer than the air outside, appliances (chosen here, no source)
_SUN_RELATIVE_SD = 0.5  # orientation, shading, curtains (chosen here, no source)
_OPAQUE_SUN_M2 = 0.5  # walls and roof let some sun in too (chosen here, no source)


@dataclass(frozen=True, slots=True)
class Prior:
    """What the description alone says of a response.

    Parameters
    ----------
    mean : FirstOrder
    log_sd : tuple of three float
        Standard deviation of the logs of time constant, gain and dead time [-].
    offset_sd_k : float
        Standard deviation of the offset [K].
    sun_gain_sd : float
        Standard deviation of the sun gain [K m2/W].
    time_gain_correlation : float
        Between the logs of time constant and gain, for both fall with the loss [-].
    """

    mean: FirstOrder
    log_sd: tuple[float, float, float]
    offset_sd_k: float
    sun_gain_sd: float
    time_gain_correlation: float = 0.0

    def belief(self) -> Belief:
        """The prior as a belief that can be drawn from."""
        deviation = np.array([*self.log_sd, self.offset_sd_k, self.sun_gain_sd])
        correlation = np.eye(5)
        correlation[0, 1] = correlation[1, 0] = self.time_gain_correlation
        return Belief(self.mean, as_covariance(correlation * np.outer(deviation, deviation)))


def first_order_prior(
    *,
    loss_w_k: float,
    slab_capacity_j_k: float,
    room_capacity_j_k: float,
    slab_to_room_w_k: float,
    glazing_gain_m2: float,
    guessed: bool = False,
) -> Prior:
    """Response to expect from loss, capacities and the way between slab and room.

    Parameters
    ----------
    loss_w_k : float
        Loss of room and floor together for each kelvin above outdoors [W/K].
    slab_capacity_j_k, room_capacity_j_k : float
        Heat capacity of the heated slab, and of air, lining and contents [J/K].
    slab_to_room_w_k : float
        Conductance from the slab at the tubes to the room [W/K].
    glazing_gain_m2 : float
        Sum of glass area times g-value [m2].
    guessed : bool
        Whether the numbers are an ordinary building's of this size rather than this building's.

    Returns
    -------
    Prior
        Its standard deviations allow for every field of the description, the heater's rating
        included, being off by up to a quarter.

    Raises
    ------
    ValueError
        Where a loss, capacity or conductance is not above 0, or the glazing is negative.

    References
    ----------
    S. Skogestad, Simple analytic rules for model reduction and PID controller tuning, Journal
    of Process Control 13 (2003) 291-309: half of the lesser time constant counts as dead time,
    half is added to the greater one (the half rule, from memory).
    """
    positive = (loss_w_k, slab_capacity_j_k, room_capacity_j_k, slab_to_room_w_k)
    if not (all(number > 0 for number in positive) and glazing_gain_m2 >= 0):
        raise ValueError(
            "loss, capacities and conductance must be above 0 and the glazing not below, found "
            f"{positive} and {glazing_gain_m2}"
        )
    slow_s, fast_s = _two_mass_time_constants_s(
        loss_w_k, slab_capacity_j_k, room_capacity_j_k, slab_to_room_w_k
    )
    sun_gain = glazing_gain_m2 / loss_w_k
    mean = FirstOrder(
        time_constant_s=slow_s + 0.5 * fast_s,
        gain_k_per_w=1.0 / loss_w_k,
        dead_time_s=0.5 * fast_s,
        sun_gain_k_m2_per_w=sun_gain,
    )
    log_sd, correlation = _log_uncertainty(_GUESSED_VARIANCE if guessed else 0.0)
    return Prior(
        mean=mean,
        log_sd=log_sd,
        offset_sd_k=_OFFSET_SD_K,
        sun_gain_sd=math.hypot(_SUN_RELATIVE_SD * sun_gain, _OPAQUE_SUN_M2 / loss_w_k),
        time_gain_correlation=correlation,
    )


def _two_mass_time_constants_s(
    loss_w_k: float, slab_j_k: float, room_j_k: float, coupling_w_k: float
) -> tuple[float, float]:
    """Greater and lesser time constant of slab -> room -> outdoors [s].

    The roots of s2 Cs Cr + s (Cs (K + H) + Cr K) + K H = 0 are their negative inverses.
    """
    total_s = slab_j_k / loss_w_k + room_j_k / loss_w_k + slab_j_k / coupling_w_k
    product_s2 = slab_j_k * room_j_k / (coupling_w_k * loss_w_k)
    slow_s = 0.5 * (total_s + math.sqrt(total_s**2 - 4.0 * product_s2))
    return slow_s, product_s2 / slow_s


def _log_uncertainty(more: float) -> tuple[tuple[float, float, float], float]:
    """Log standard deviations of time constant, gain, dead time; correlation of the first two.

    ``more`` is added to the variance of each quantity's log.
    """
    loss = _LOSS_FIELDS * _FIELD_VARIANCE + more
    time_constant = math.sqrt(_CAPACITY_FIELDS * _FIELD_VARIANCE + more + loss + _FORM_VARIANCE)
    gain = math.sqrt(loss + _RATING_FIELDS * _FIELD_VARIANCE + _FORM_VARIANCE)
    dead_time = math.sqrt(
        (_ROOM_FIELDS + _COUPLING_FIELDS) * _FIELD_VARIANCE + 2.0 * more + _DEAD_TIME_FORM_VARIANCE
    )
    return (time_constant, gain, dead_time), loss / (time_constant * gain)

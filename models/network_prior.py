"""What is known of a network, and how well: from a building's description before any history.

A belief is a network with the joint uncertainty of its parameters: capacities and conductances
on a log scale, so that no draw is ever negative, the others in their own unit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import astuple, dataclass

import numpy as np

from models.belief import Covariance, as_covariance
from models.series import FloatArray
from models.thermal_network import Network

LOGS = 5
"""How many parameters, from the first on, are uncertain on a log scale; all bear watts."""
SUN = 5
"""Where the sun's area stands among the parameters."""

# A field "off by up to 25 %" is taken as uniform over that span, as logs near enough.
_FIELD_VARIANCE = 0.25**2 / 3.0

# How many independent fields multiply in each quantity, and what the simple form itself leaves
# open, as a standard deviation of its log (the latter chosen here, no source).
_FIELDS_AND_FORM: Mapping[str, tuple[int, float]] = {
    "slab_capacity_j_k": (4, 0.20),  # area, thickness, density, heat capacity; soil that joins in
    "room_capacity_j_k": (3, 0.50),  # volume, lining, contents: how much of it follows the air
    "slab_room_w_k": (4, 0.25),  # area, depth, conductivity, covering; coefficient of the surface
    "room_loss_w_k": (3, 0.20),  # area, thickness, conductivity of what counts most; draughts
    "ground_loss_w_k": (3, 0.60),  # area, insulation, soil; edges, and soil that is still cold
}
_RATING_FIELDS = 1  # in all of them alike, for heat is the yardstick

_GROUND_SD_K = 3.0  # (chosen here, no source)
_GAIN_SD_K = 1.5  # lift of the room by appliances, sun on the walls (chosen here, no source)
_SUN_RELATIVE_SD = 0.5  # orientation, shading, curtains (chosen here, no source)
_OPAQUE_SUN_M2 = 0.5  # walls and roof let some sun in too (chosen here, no source)


@dataclass(frozen=True, slots=True)
class NetworkBelief:
    """A network with the joint uncertainty of its parameters.

    Parameters
    ----------
    network : Network
        Its middle.
    covariance : tuple of tuple of float
        Of all parameters in the order of `Network`, logs of the first five; eight by eight.
    """

    network: Network
    covariance: Covariance

    def standard_deviations(self) -> FloatArray:
        """Of each parameter, logs of the first five, shape (8,)."""
        return np.sqrt(np.maximum(0.0, np.diag(np.array(self.covariance))))


def coordinates(network: Network) -> FloatArray:
    """The parameters as a vector, logs of the first five, shape (8,)."""
    vector = np.array(astuple(network))
    vector[:LOGS] = np.log(vector[:LOGS])
    return vector


def at_coordinates(vector: FloatArray) -> Network:
    """The network of such a vector; an area of the sun below 0 counts as none."""
    numbers = vector.copy()
    numbers[:LOGS] = np.exp(numbers[:LOGS])
    numbers[SUN] = max(0.0, numbers[SUN])
    return Network(*numbers.tolist())


def draw_networks(belief: NetworkBelief, count: int, seed: int) -> list[Network]:
    """Networks drawn from a belief: same seed, same draws; all positive and stable."""
    matrix = np.array(belief.covariance)
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    steps = np.random.default_rng(seed).standard_normal((count, len(matrix))) @ root.T
    return [at_coordinates(coordinates(belief.network) + step) for step in steps]


def network_prior(
    *,
    slab_capacity_j_k: float,
    room_capacity_j_k: float,
    slab_room_w_k: float,
    room_loss_w_k: float,
    ground_loss_w_k: float,
    glazing_gain_m2: float,
    ground_c: float = 10.0,
) -> NetworkBelief:
    """The network to expect from capacities and conductances.

    Parameters
    ----------
    slab_capacity_j_k, room_capacity_j_k : float
        Heat capacity of the heated slab, and of air, inner lining and contents [J/K].
    slab_room_w_k : float
        Conductance from the slab at the tubes to the room [W/K].
    room_loss_w_k : float
        Loss of walls, roof, windows and air change, without the floor [W/K].
    ground_loss_w_k : float
        Loss through the floor [W/K].
    glazing_gain_m2 : float
        Sum of glass area times g-value [m2].
    ground_c : float
        Temperature of the ground: about the mean of the year outdoors [°C].

    Returns
    -------
    NetworkBelief
        Its spread allows for every field of the description, the heater's rating included, being
        off by up to a quarter.

    Raises
    ------
    ValueError
        Where a capacity or conductance is not above 0, or the glazing is negative.
    """
    network = Network(
        slab_capacity_j_k=slab_capacity_j_k,
        room_capacity_j_k=room_capacity_j_k,
        slab_room_w_k=slab_room_w_k,
        room_loss_w_k=room_loss_w_k,
        ground_loss_w_k=ground_loss_w_k,
        sun_gain_m2=glazing_gain_m2,
        ground_c=ground_c,
    )
    variance = [
        fields * _FIELD_VARIANCE + form_sd**2 for fields, form_sd in _FIELDS_AND_FORM.values()
    ]
    sun_sd_m2 = math.hypot(_SUN_RELATIVE_SD * glazing_gain_m2, _OPAQUE_SUN_M2)
    others = np.square([sun_sd_m2, _GROUND_SD_K, _GAIN_SD_K * room_loss_w_k])
    covariance = np.diag([*variance, *others])
    covariance[:LOGS, :LOGS] += _RATING_FIELDS * _FIELD_VARIANCE
    return NetworkBelief(network, as_covariance(covariance))

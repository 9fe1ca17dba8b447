"""What a building's description says of its network, and how well each number is known.

A belief is a network with the joint uncertainty of its learnt parameters: positive ones on a log
scale, so that no draw is ever negative, the others in their own unit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from models.belief import as_covariance
from models.series import FloatArray
from models.thermal_network import SIGNED, Kind, Network

_COMMON = (
    "slab_capacity_j_k",
    "room_capacity_j_k",
    "slab_room_w_k",
    "room_outdoor_w_k",
    "sun_slab_m2",
    "sun_room_m2",
    "heat_gain",
    "ground_c",
    "room_gain_w",
    "people_w",
    "draught_w_k",
    "slab_reading_k_w",
)
LEARNT: Mapping[Kind, tuple[str, ...]] = {
    Kind.TWO_NODE: (*_COMMON, "slab_ground_w_k"),
    Kind.LINING: (
        *_COMMON,
        "slab_ground_w_k",
        "third_capacity_j_k",
        "third_slab_w_k",
        "third_room_w_k",
        "third_outdoor_w_k",
    ),
    Kind.GROUND: (*_COMMON, "third_capacity_j_k", "third_slab_w_k", "third_ground_w_k"),
}
"""Which parameters of each kind of network are learnt, in the order of their covariance."""

# A field "off by up to 25 %" is taken as uniform over that span, as logs near enough.
_FIELD_VARIANCE = 0.25**2 / 3.0

# For each quantity, how many independent fields multiply in it, and what the simple form itself
# leaves open, as a standard deviation of its log (the latter chosen here, no source).
_FIELDS_AND_FORM: Mapping[str, tuple[int, float]] = {
    "slab_capacity_j_k": (4, 0.15),  # area, thickness, density, heat capacity; what lies beside it
    "room_capacity_j_k": (3, 0.45),  # volume, lining, contents: how much follows the air at once
    "slab_room_w_k": (4, 0.20),  # area, depth, conductivity, covering; the surface's coefficient
    "room_outdoor_w_k": (3, 0.15),  # area, thickness, conductivity of what counts most; draughts
    "slab_ground_w_k": (3, 0.45),  # area, insulation, soil; edges
    "sun_slab_m2": (2, 0.55),  # glass and its g-value; orientation, shading, where it falls
    "sun_room_m2": (2, 0.55),
    "heat_gain": (1, 0.0),  # the heater's rating
    "third_capacity_j_k": (3, 0.55),
    "third_slab_w_k": (2, 0.45),
    "third_room_w_k": (2, 0.45),
    "third_outdoor_w_k": (3, 0.45),
    "third_ground_w_k": (3, 0.45),
}
_GUESSED_SD = 0.5  # of the log of whatever follows from a building's size alone (no source)
_METERED_SD = 0.05  # a meter's own error, and losses on the way to the slab (chosen, no source)
_GROUND_SD_K = 3.0  # (chosen here, no source)
_GAIN_SD_K = 1.2  # lift of the room by machines, sun through walls (chosen, no source)
_PEOPLE_SD_W_M2 = 6.0  # of people and what they switch on, for each m2 of floor (chosen, no source)
_DRAUGHT_SHARE = 0.08  # of the loss, that twice the usual wind adds to it (chosen, no source)
_READING_DEPTH_M = 0.05  # concrete between the slab's sensor and its mean (chosen, no source)
_CONCRETE_W_MK = 2.0

# How light surfaces share with the air (chosen here, no source): the room's capacity that follows
# the air at once, and that of lining and contents behind a conductance of their own.
_AIR_SHARE, _LINING_SHARE = 0.6, 0.7
_LINING_W_M2K = 6.0  # for each m2 of floor: some two m2 of lining at 3 W/m2K
_RADIATION_W_M2K = 2.0  # floor to lining, what of it does not count as floor to air
_CONVECTION_SHARE = 0.6  # of the floor's coefficient, where radiation goes to the lining
_OUTER_SHARE = 0.4  # of the loss that passes the lining
_OPAQUE_SUN_M2 = 0.3  # walls and roof let some sun in too
_SLAB_SUN_SHARE = 0.6  # of the sun through glass falls on the floor

# The heat of the ground that takes part within a season: to about this depth (chosen here).
_GROUND_DEPTH_M = 0.6
_SOIL_J_M3K = 2.0e6
_SOIL_W_MK = 2.0


@dataclass(frozen=True, slots=True)
class NetworkBelief:
    """A network with the joint uncertainty of its learnt parameters.

    Parameters
    ----------
    network : Network
        Its middle.
    covariance : tuple of tuple of float
        Of the learnt parameters (`LEARNT`), logs of the positive ones.
    """

    network: Network
    covariance: tuple[tuple[float, ...], ...]

    def standard_deviations(self) -> dict[str, float]:
        """Of each learnt parameter: of its log where it is positive, else in its unit."""
        deviations = np.sqrt(np.maximum(0.0, np.diag(np.array(self.covariance))))
        names = LEARNT[self.network.kind]
        return dict(zip(names, (float(number) for number in deviations), strict=True))


@dataclass(frozen=True, slots=True)
class NetworkPrior:
    """What the description alone says, for each kind of network.

    Parameters
    ----------
    two_node, lining, ground : NetworkBelief
    """

    two_node: NetworkBelief
    lining: NetworkBelief
    ground: NetworkBelief

    @property
    def mean(self) -> Network:
        """The expected network of slab and room."""
        return self.two_node.network

    def belief(self, kind: Kind) -> NetworkBelief:
        """The belief in the network of one kind."""
        return {
            Kind.TWO_NODE: self.two_node,
            Kind.LINING: self.lining,
            Kind.GROUND: self.ground,
        }[kind]

    def widened(self, times: float) -> NetworkPrior:
        """The same networks, each parameter known only so many times as loosely."""
        wide = (_widened(each, times) for each in (self.two_node, self.lining, self.ground))
        return NetworkPrior(*wide)


def _widened(belief: NetworkBelief, times: float) -> NetworkBelief:
    return replace(belief, covariance=as_covariance(times**2 * np.array(belief.covariance)))


def coordinates(network: Network) -> FloatArray:
    """The learnt parameters as a vector, logs of the positive ones, shape (p,)."""
    values = network.values()
    return np.array(
        [
            values[name] if name in SIGNED else math.log(values[name])
            for name in LEARNT[network.kind]
        ]
    )


def at_coordinates(like: Network, vector: FloatArray) -> Network:
    """The network of these learnt parameters, shape (p,); what is not learnt is as in ``like``."""
    names = LEARNT[like.kind]
    changes = {
        name: float(number) if name in SIGNED else math.exp(number)
        for name, number in zip(names, vector, strict=True)
    }
    return replace(like, **changes)  # type: ignore[arg-type]  # only numbers are learnt


def draw_networks(belief: NetworkBelief, count: int, seed: int) -> list[Network]:
    """Networks drawn from a belief: same seed, same draws; all positive and stable."""
    matrix = np.array(belief.covariance)
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    steps = np.random.default_rng(seed).standard_normal((count, len(matrix))) @ root.T
    middle = coordinates(belief.network)
    return [at_coordinates(belief.network, middle + step) for step in steps]


def network_prior(
    *,
    area_m2: float,
    slab_capacity_j_k: float,
    room_capacity_j_k: float,
    slab_room_w_k: float,
    room_outdoor_w_k: float,
    slab_ground_w_k: float,
    floor_resistance_m2k_w: float,
    glazing_gain_m2: float,
    ground_c: float = 10.0,
    heat_metered: bool = False,
    guessed: bool = False,
) -> NetworkPrior:
    """Networks to expect from areas, capacities and conductances.

    Parameters
    ----------
    area_m2 : float
        Heated floor [m2].
    slab_capacity_j_k, room_capacity_j_k : float
        Heat capacity of the heated slab, and of air, inner lining and contents [J/K].
    slab_room_w_k : float
        Conductance from the slab at the tubes to the room [W/K].
    room_outdoor_w_k : float
        Loss of walls, roof, windows and air change, without the floor [W/K].
    slab_ground_w_k : float
        Loss through the floor for each kelvin between room and outdoors, by ISO 13370 [W/K].
    floor_resistance_m2k_w : float
        Insulation between slab and ground [m2K/W].
    glazing_gain_m2 : float
        Sum of glass area times g-value [m2].
    ground_c : float
        Temperature of the deep ground: about the mean of the year outdoors [°C].
    heat_metered : bool
        Whether heat is measured rather than taken from the heater's rating.
    guessed : bool
        Whether the numbers are an ordinary building's of this size rather than this building's.

    Returns
    -------
    NetworkPrior
        Its spread allows for every field of the description, the heater's rating included, being
        off by up to a quarter.

    Raises
    ------
    ValueError
        Where an area, capacity or conductance is not above 0, or the glazing is negative.
    """
    plain = Network(
        kind=Kind.TWO_NODE,
        slab_capacity_j_k=slab_capacity_j_k,
        room_capacity_j_k=room_capacity_j_k,
        slab_room_w_k=slab_room_w_k,
        room_outdoor_w_k=room_outdoor_w_k,
        slab_ground_w_k=slab_ground_w_k,
        sun_slab_m2=_SLAB_SUN_SHARE * glazing_gain_m2 + _OPAQUE_SUN_M2,
        sun_room_m2=(1.0 - _SLAB_SUN_SHARE) * glazing_gain_m2 + _OPAQUE_SUN_M2,
        heat_gain=1.0,
        ground_c=ground_c,
        draught_w_k=_DRAUGHT_SHARE * room_outdoor_w_k,
    )
    if not (area_m2 > 0 and slab_ground_w_k > 0):
        raise ValueError(
            f"floor area and loss to the ground must be above 0, found {area_m2} m2 and "
            f"{slab_ground_w_k} W/K"
        )

    def spread(network: Network) -> NetworkBelief:
        return _spread(network, area_m2, heat_metered=heat_metered, guessed=guessed)

    to_soil_m2k_w = floor_resistance_m2k_w + 0.5 * _GROUND_DEPTH_M / _SOIL_W_MK
    return NetworkPrior(
        two_node=spread(plain),
        lining=spread(_with_lining(plain, area_m2)),
        ground=spread(_with_ground(plain, area_m2, area_m2 / to_soil_m2k_w)),
    )


def _with_lining(plain: Network, area_m2: float) -> Network:
    """The same building with walls and contents as a mass of their own."""
    return replace(
        plain,
        kind=Kind.LINING,
        room_capacity_j_k=_AIR_SHARE * plain.room_capacity_j_k,
        slab_room_w_k=_CONVECTION_SHARE * plain.slab_room_w_k,
        room_outdoor_w_k=(1.0 - _OUTER_SHARE) * plain.room_outdoor_w_k,
        third_capacity_j_k=_LINING_SHARE * plain.room_capacity_j_k,
        third_slab_w_k=_RADIATION_W_M2K * area_m2,
        third_room_w_k=_LINING_W_M2K * area_m2,
        third_outdoor_w_k=_OUTER_SHARE * plain.room_outdoor_w_k,
    )


def _with_ground(plain: Network, area_m2: float, to_soil_w_k: float) -> Network:
    """The same building with the ground beneath the slab as a mass of its own.

    Slab to soil to deep ground in a row lose about what ISO 13370 says of the whole.
    """
    below_w_k = 1.0 / max(1.0 / plain.slab_ground_w_k - 1.0 / to_soil_w_k, 0.25 / to_soil_w_k)
    return replace(
        plain,
        kind=Kind.GROUND,
        slab_ground_w_k=0.0,
        third_capacity_j_k=area_m2 * _GROUND_DEPTH_M * _SOIL_J_M3K,
        third_slab_w_k=to_soil_w_k,
        third_ground_w_k=below_w_k,
    )


def _spread(
    network: Network, area_m2: float, *, heat_metered: bool, guessed: bool
) -> NetworkBelief:
    signed = {
        "ground_c": _GROUND_SD_K,
        "room_gain_w": _GAIN_SD_K * network.room_outdoor_w_k,
        "people_w": _PEOPLE_SD_W_M2 * area_m2,
        "draught_w_k": max(network.draught_w_k, 1e-6),
        "slab_reading_k_w": _READING_DEPTH_M / _CONCRETE_W_MK / area_m2,
    }
    fields_and_form = dict(_FIELDS_AND_FORM)
    if heat_metered:
        fields_and_form["heat_gain"] = (0, _METERED_SD)
    more = _GUESSED_SD**2 if guessed else 0.0
    variance = [
        signed[name] ** 2
        if name in SIGNED
        else _log_variance(*fields_and_form[name]) + (0.0 if name == "heat_gain" else more)
        for name in LEARNT[network.kind]
    ]
    return NetworkBelief(network, as_covariance(np.diag(variance)))


def _log_variance(fields: int, form_sd: float) -> float:
    return fields * _FIELD_VARIANCE + form_sd**2

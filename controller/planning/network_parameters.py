"""Between stored parameter sets (plain numbers) and a room's network with its uncertainty.

A set of a network holds the first-order numbers too: the guard's own lead time needs them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from controller.planning.describe import zone_network_prior
from controller.planning.parameters import MODEL
from controller.records.plan import ParameterSet, Value
from controller.records.site import Role, Site, Zone
from models.belief import as_covariance
from models.network_prior import (
    LEARNT,
    NetworkBelief,
    NetworkPrior,
    at_coordinates,
    coordinates,
)
from models.observer import Noise, noise_of
from models.series import FloatArray
from models.thermal_network import SIGNED, Kind, Network

USUAL_ERROR_K: Mapping[int, float] = {1: 0.25, 6: 0.4, 12: 0.45, 24: 0.5}
"""Errors of a fitted network on simulated workshops with sun, doors, people (chosen here) [K]."""
FIRST_KIND = Kind.LINING
"""What a zone is planned with before its history says better."""
PHYSICAL_SD = 5.0
"""How far a network may lie from the description's, in standard deviations of each parameter."""
LEAST_LOG_SD = 0.15
"""Standard deviation that is allowed to every positive one, however well it is known [-]."""
_PREFIX = "network_"
_NOISE = ("unseen_quick_w", "unseen_slow_w", "stray_slab", "stray_room", "stray_third")
_LATER = frozenset({"people_w", "draught_w_k"})
"""Parameters that sets stored by earlier versions lack: nothing was learnt of them."""
DOUBTED = "network_description_doubted"
"""Kept as 1 with a network that was learnt although the description speaks against it."""
DOUBT_TIMES = 3.0
"""How much more loosely a doubted description holds each parameter: one that is a quarter off
in its fields may then be three quarters off (chosen here, no source)."""
_TOLD_APART = 0.005
"""Correlations nearer to 0 than this are not kept [-]."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a zone's network.

    Parameters
    ----------
    parameter_set : str
        Id of the set it comes from.
    belief : NetworkBelief
    noise : Noise
    error_k : mapping of int to float
        Rms errors of the air by hours ahead, with the weather as it was, on held-back history;
        what is usual of such networks before there is any [K].
    doubted : bool
        Whether it was learnt although the description speaks against it.
    """

    parameter_set: str
    belief: NetworkBelief
    noise: Noise
    error_k: Mapping[int, float]
    doubted: bool = False

    @property
    def network(self) -> Network:
        """The most probable network."""
        return self.belief.network


def prior_of(site: Site, zone: Zone) -> NetworkPrior:
    """Networks to expect of a zone; a meter on every heater makes its heat better known."""
    heaters = [heater for heater in site.heaters if zone in site.zones_of(heater)]
    metered = {sensor.subject for sensor in site.sensors if sensor.role is Role.POWER}
    return zone_network_prior(
        zone,
        latitude_deg=site.latitude_deg,
        metered=all(heater.id in metered for heater in heaters),
    )


def known_network(site: Site, zone: Zone, stored: ParameterSet | None) -> Known:
    """The network a zone is planned with: its stored one, else its description's.

    A stored one that no such building can have is passed over.
    """
    prior, absurd = prior_of(site, zone), False
    if stored is not None and stored.model != MODEL:
        found = _stored(stored, prior)
        allowed = prior.widened(DOUBT_TIMES) if found.doubted else prior
        absurd = unphysical(found.network, allowed) is not None
        if not absurd:
            return found
    belief = prior.belief(FIRST_KIND)
    name = f"{zone.id}-day-one" if stored is None or absurd else stored.id
    return Known(name, belief, noise_of(belief.network), USUAL_ERROR_K)


def unphysical(network: Network, prior: NetworkPrior) -> str | None:
    """Which number of a network lies out of the range that the description leaves open.

    Returns
    -------
    str or None
        The one furthest out, in words; None where there is none.
    """
    belief = prior.belief(network.kind)
    sd = belief.standard_deviations()
    expected, found = coordinates(belief.network), coordinates(network)
    names = LEARNT[network.kind]
    allowed = [sd[n] if n in SIGNED else max(sd[n], LEAST_LOG_SD) for n in names]
    off = np.abs(found - expected) / np.array(allowed)
    furthest = int(np.argmax(off))
    if off[furthest] <= PHYSICAL_SD:
        return None
    name = names[furthest]
    wanted, is_now = belief.network.values()[name], network.values()[name]
    return f"{name} came out as {is_now:.3g}, where the description says {wanted:.3g}"


def network_of(parameter_set: ParameterSet) -> Network:
    """The network that a stored set holds.

    Raises
    ------
    ValueError
        Where a value is missing or no building could have it.
    """
    values = parameter_set.values
    try:
        kind = Kind(parameter_set.model)
        numbers = {
            name: values[_PREFIX + name].value
            for name in Network.__dataclass_fields__
            if name != "kind" and not (name in _LATER and _PREFIX + name not in values)
        }
    except (KeyError, ValueError) as error:
        raise ValueError(f"parameter set {parameter_set.id} holds no network: {error}") from error
    return Network(kind=kind, **numbers)


def network_values(belief: NetworkBelief, noise: Noise) -> dict[str, Value]:
    """The stored form: every parameter with its standard error (of the log where positive)."""
    deviations = belief.standard_deviations()
    values = {
        _PREFIX + name: Value(number, deviations.get(name, 0.0))
        for name, number in belief.network.values().items()
    }
    numbers = (*noise.unseen_w, *noise.stray_w_sqrt_h)
    for name, number in zip(_NOISE, numbers, strict=True):
        values[_PREFIX + name] = Value(number, 0.0)
    names, covariance = LEARNT[belief.network.kind], np.array(belief.covariance)
    for row, column in itertools.combinations(range(len(names)), 2):
        scale = math.sqrt(max(covariance[row, row] * covariance[column, column], 0.0))
        share = float(covariance[row, column]) / scale if scale > 0.0 else 0.0
        if abs(share) > _TOLD_APART:
            values[_pair(names[row], names[column])] = Value(share, 0.0)
    return values


def _stored(parameter_set: ParameterSet, prior: NetworkPrior) -> Known:
    values, network = parameter_set.values, network_of(parameter_set)
    expected = noise_of(prior.belief(network.kind).network)
    found = [values.get(_PREFIX + name) for name in _NOISE]
    noise = expected
    if all(value is not None for value in found):
        numbers = [value.value for value in found if value is not None]
        noise = Noise((numbers[0], numbers[1]), (numbers[2], numbers[3], numbers[4]))
    error_k = {int(hours): rms_k for hours, rms_k in (parameter_set.error_k or {}).items()}
    belief = NetworkBelief(network, as_covariance(_covariance(network.kind, values)))
    doubted = DOUBTED in values
    return Known(parameter_set.id, belief, noise, {**USUAL_ERROR_K, **error_k}, doubted)


def _covariance(kind: Kind, values: Mapping[str, Value]) -> FloatArray:
    names = LEARNT[kind]
    unknown = Value(0.0, 0.0)
    sd = np.array([values.get(_PREFIX + name, unknown).sd for name in names])
    matrix = np.diag(sd**2)
    for row, column in itertools.combinations(range(len(names)), 2):
        stored = values.get(_pair(names[row], names[column]))
        if stored is not None:
            matrix[row, column] = matrix[column, row] = stored.value * sd[row] * sd[column]
    return np.asarray(matrix)


def _pair(first: str, second: str) -> str:
    return f"{_PREFIX}correlation_{first}_{second}"


def begin_of(known: Known, prior: NetworkBelief) -> Network:
    """A network to begin a search from: the known one where it is of the prior's kind."""
    if known.network.kind is not prior.network.kind:
        return prior.network
    return at_coordinates(prior.network, coordinates(known.network))

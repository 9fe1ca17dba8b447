"""Between stored parameter sets (plain numbers) and the first-order response with its spread."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np

from controller.planning.describe import zone_prior
from controller.planning.history import FloatArray
from controller.records.plan import ParameterSet, ParameterSource, Value
from controller.records.site import Site, Zone
from models.belief import Belief, Covariance, as_covariance
from models.first_order import FirstOrder

MODEL = "first_order"
MODELS = (MODEL, "two_node", "three_node", "three_node_ground")
"""What a set may hold: each has the first-order numbers, the others a network beside them."""
PARAMETERS = tuple(field.name for field in fields(FirstOrder))
_LOGARITHMIC = (0, 1, 2)
_PAIRS = tuple(itertools.combinations(range(len(PARAMETERS)), 2))
RESIDUAL_H = (1, 6, 12, 24)
"""Horizons at which multi-step errors are kept [h]."""
EXPECTED_RESIDUAL_K = (0.35, 1.0, 1.2, 1.0)
"""What a first-order response misses of a heated floor before there is history to measure it on
[K]: about what it misses of simulated workshops with sun, doors and people."""


@dataclass(frozen=True, slots=True)
class Response:
    """A zone's response as planning uses it: means, spread, and its measured errors.

    ``residual_k`` is the rms error at ``RESIDUAL_H`` with weather and heat as they really were.
    """

    parameter_set: str
    belief: Belief
    residual_k: tuple[float, ...]

    @property
    def model(self) -> FirstOrder:
        """The response at its most likely parameters."""
        return self.belief.model

    def residual_at_k(self, ahead_s: FloatArray) -> FloatArray:
        """Rms error of room air that lies ``ahead_s`` ahead [K], same shape.

        Half of the one-hour error is already there at once (the air of now is not known exactly
        either); beyond the last horizon it stays, as a room forgets where it started.
        """
        known_s = 3600.0 * np.array([0, *RESIDUAL_H])
        known_k = np.array([0.5 * self.residual_k[0], *self.residual_k])
        rms_k: FloatArray = np.interp(ahead_s, known_s, known_k)
        return rms_k


def response_in_force(
    site: Site, zone: Zone, parameter_sets: Sequence[ParameterSet], *, now_s: float
) -> Response:
    """What a zone is planned with: its stored set, else its description."""
    return response_of(set_in_force(zone, parameter_sets) or day_one_set(site, zone, now_s=now_s))


def set_in_force(zone: Zone, parameter_sets: Sequence[ParameterSet]) -> ParameterSet | None:
    """The latest stored set of a zone that this version can use."""
    own = [s for s in parameter_sets if s.zone == zone.id and s.model in MODELS]
    return max(own, key=lambda s: s.made_s, default=None)


def response_of(parameter_set: ParameterSet) -> Response:
    """Read a stored set.

    Raises
    ------
    ValueError
        Where a value is missing or no heated floor could have it.
    """
    values = parameter_set.values
    try:
        model = FirstOrder(**{name: values[name].value for name in PARAMETERS})
        residual_k = tuple(values[f"residual_{hours}h_k"].value for hours in RESIDUAL_H)
    except KeyError as missing:
        raise ValueError(f"parameter set {parameter_set.id} lacks {missing}") from missing
    return Response(parameter_set.id, Belief(model, _covariance(values)), residual_k)


def day_one_set(site: Site, zone: Zone, *, now_s: float) -> ParameterSet:
    """The set that the zone's description gives, before any history."""
    prior = zone_prior(zone, latitude_deg=site.latitude_deg)
    return ParameterSet(
        id=f"{zone.id}-day-one",
        zone=zone.id,
        model=MODEL,
        source=ParameterSource.DESCRIPTION,
        made_s=now_s,
        values=values_of(prior.belief(), EXPECTED_RESIDUAL_K),
        error_k={},
    )


def values_of(belief: Belief, residual_k: Sequence[float]) -> Mapping[str, Value]:
    """The stored form of a response: every number with its standard error, and correlations.

    Errors hang together (a longer time constant with a larger gain heats at the same pace):
    without their correlations lead times would spread far too wide.
    """
    errors = belief.standard_errors()
    values = {
        name: Value(float(getattr(belief.model, name)), float(getattr(errors, name)))
        for name in PARAMETERS
    }
    covariance = np.array(belief.covariance)
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    for row, column in _PAIRS:
        if sd[row] > 0.0 and sd[column] > 0.0:
            correlation = covariance[row, column] / (sd[row] * sd[column])
            values[_pair_name(row, column)] = Value(float(correlation), 0.0)
    for hours, rms_k in zip(RESIDUAL_H, residual_k, strict=True):
        values[f"residual_{hours}h_k"] = Value(float(rms_k), 0.0)
    return values


def _covariance(values: Mapping[str, Value]) -> Covariance:
    """The inverse of what ``values_of`` stores; the first three parameters on a log scale."""
    stored = [values[name] for name in PARAMETERS]
    sd = np.array([v.sd / v.value if i in _LOGARITHMIC else v.sd for i, v in enumerate(stored)])
    matrix = np.diag(np.square(sd))
    for row, column in _PAIRS:
        stored_pair = values.get(_pair_name(row, column))
        if stored_pair is not None:
            matrix[row, column] = matrix[column, row] = stored_pair.value * sd[row] * sd[column]
    return as_covariance(matrix)


def _pair_name(row: int, column: int) -> str:
    return f"correlation_{PARAMETERS[row]}_{PARAMETERS[column]}"

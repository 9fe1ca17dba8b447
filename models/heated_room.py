"""A room as its heating is planned: how it answers to heat, and what it should keep to.

States are temperatures at the borders of even slots; heat and weather act evenly within a slot:
``states[k + 1] = a @ states[k] + b_heat * heat_w[k] + disturbance_k[k]``. With the exact matrices
of the slot this is the exact solution of the room's equations for such inputs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.series import FloatArray

Profile = float | FloatArray
"""One number for all slots (or borders), or one for each."""
_ROUNDING = 1e-9
"""Part of the greatest entry by which computing may have left another below 0 [-]."""


@dataclass(frozen=True, slots=True, eq=False)
class Limit:
    """A temperature that should stay below a limit: slab, floor surface.

    Parameters
    ----------
    row : array, shape (n,)
        The temperature is ``row @ states`` [-].
    upper_c : float or array, shape (N + 1,)
        Its limit at each slot border, inf where it is free [°C].
    price_per_k_h : float
        Price of exceeding it [money/(K h)].
    """

    row: FloatArray
    upper_c: Profile
    price_per_k_h: float


@dataclass(frozen=True, slots=True, eq=False)
class SupplyLimit:
    """The heater's output as the slab warms towards the hottest supply that is allowed.

    Parameters
    ----------
    row : array, shape (n,)
        The temperature around the tubes is ``row @ states`` [-].
    conductance_w_k : float
        Heat from the water to there for each kelvin between them [W/K].
    supply_c : float
        Hottest supply [°C].
    """

    row: FloatArray
    conductance_w_k: float
    supply_c: float


@dataclass(frozen=True, slots=True, eq=False)
class Room:
    """What one zone is, what the weather does to it, what is wanted and what is allowed.

    Parameters
    ----------
    a : array, shape (n, n)
        What a slot leaves of the states, no entry below 0 [-].
    b_heat : array, shape (n,)
        What a watt over one slot adds to the states, no entry below 0 [K/W].
    disturbance_k : array, shape (N, n)
        What weather, ground, people and the heat already in the pipes add in each slot [K].
    start_c : array, shape (n,)
        States now [°C].
    air_row : array, shape (n,)
        Room air is ``air_row @ states`` [-].
    lower_c : array, shape (N + 1,)
        Least air wanted at each slot border, -inf where it is free [°C].
    shortfall_price_per_k_h : float or array, shape (N + 1,)
        Price of staying below it [money/(K h)]; a border counts for one slot's length.
    heat_max_w : float or array, shape (N,)
        Most heat that this room can take [W].
    limits : tuple of Limit
    supply : SupplyLimit or None
        None where the output does not fall as the slab warms.

    Raises
    ------
    ValueError
        Where shapes do not agree, a number is missing, or heat would cool something.
    """

    a: FloatArray
    b_heat: FloatArray
    disturbance_k: FloatArray
    start_c: FloatArray
    air_row: FloatArray
    lower_c: FloatArray
    shortfall_price_per_k_h: Profile
    heat_max_w: Profile
    limits: tuple[Limit, ...] = ()
    supply: SupplyLimit | None = None

    def __post_init__(self) -> None:
        if self.disturbance_k.ndim != 2:
            raise ValueError(f"disturbance_k must be (slots, states): {self.disturbance_k.shape}")
        count, n = self.disturbance_k.shape
        rows = {f"limit {i}": limit.row for i, limit in enumerate(self.limits)}
        if self.supply is not None:
            rows["supply limit"] = self.supply.row
        for name, array in (("b_heat", self.b_heat), ("air_row", self.air_row), *rows.items()):
            _require(name, array, (n,), positive=name != "air_row")
        _require("a", self.a, (n, n), positive=True)
        _require("start_c", self.start_c, (n,))
        _require("disturbance_k", self.disturbance_k, (count, n))
        if self.lower_c.shape != (count + 1,) or np.isnan(self.lower_c).any():
            raise ValueError(f"lower_c must hold {count + 1} numbers, no NaN: {self.lower_c}")
        if (self.lower_c == np.inf).any() or any(np.isnan(x.upper_c).any() for x in self.limits):
            raise ValueError("no wanted temperature may be infinite, no limit NaN")

    @property
    def count(self) -> int:
        """Number of slots."""
        return len(self.disturbance_k)

    def states(self, heat_w: Profile) -> FloatArray:
        """States at the slot borders with this heat in each slot, shape (N + 1, n) [°C]."""
        heat = np.broadcast_to(np.asarray(heat_w, dtype=np.float64), (self.count,))
        return recurrence(self.a, self.start_c, self.disturbance_k + heat[:, None] * self.b_heat)

    def output_line(self) -> tuple[FloatArray, FloatArray]:
        """Most heat that the supply limit lets through: ``base_w[k] - slope @ states[k]``.

        Returns
        -------
        base_w : array, shape (N,)
            inf where there is no such limit [W].
        slope : array, shape (n,)
            [W/K].

        Notes
        -----
        The mean temperature at the tubes over a slot is taken as that of its two borders; the
        second one holds the slot's own heat, for which the line is solved.
        """
        if self.supply is None:
            return np.full(self.count, np.inf), np.zeros(len(self.start_c))
        half = 0.5 * self.supply.conductance_w_k
        row = self.supply.row
        own = 1.0 + half * float(row @ self.b_heat)
        base = (2.0 * half * self.supply.supply_c - half * self.disturbance_k @ row) / own
        return base, half * (row + row @ self.a) / own

    def available_w(self, states: FloatArray) -> FloatArray:
        """Most heat that can be delivered in each slot of this path, shape (N,) [W].

        Parameters
        ----------
        states : array, shape (N + 1, n)
            Path of the states [°C].
        """
        base, slope = self.output_line()
        most = np.minimum(self.heat_max_w, base - states[:-1] @ slope)
        return np.maximum(0.0, most)


def recurrence(a: FloatArray, start: FloatArray, added: FloatArray) -> FloatArray:
    """Solve ``x[k + 1] = a x[k] + added[k]`` for all k at once, alone or for a stack of samples.

    Parameters
    ----------
    a : array, shape (..., n, n)
    start : array, shape (..., n)
    added : array, shape (..., N, n)

    Returns
    -------
    array, shape (..., N + 1, n)

    Notes
    -----
    Doubling (a parallel prefix sum): after the step of length s each entry holds what the last
    2 s entries left, so that log2(N) products of whole arrays do the work of N small ones.
    """
    start = np.broadcast_to(start, (*added.shape[:-2], added.shape[-1]))
    path = np.concatenate((start[..., None, :], added), axis=-2)
    step, power = 1, np.swapaxes(np.asarray(a, dtype=np.float64), -1, -2)
    while step < path.shape[-2]:
        earlier = path[..., :-step, :] @ power
        path[..., step:, :] += earlier
        step, power = 2 * step, power @ power
    return np.asarray(path, dtype=np.float64)


def _require(
    name: str, array: FloatArray, shape: tuple[int, ...], *, positive: bool = False
) -> None:
    if array.shape != shape or not np.isfinite(array).all():
        raise ValueError(f"{name} must hold finite numbers of shape {shape}: {array}")
    if positive and (array < -_ROUNDING * np.abs(array).max()).any():
        raise ValueError(f"{name} must not be negative, heat warms all it reaches: {array}")

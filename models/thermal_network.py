"""Two masses, slab core and room: delivered heat in, slab and room air out.

    Cs dTs/dt = P - Ksr (Ts - Tr) - Ksg (Ts - Tg)
    Cr dTr/dt = Ksr (Ts - Tr) - Kro (Tr - Te) + A I + G

With both temperatures measured, heat is the only yardstick for capacities and conductances: were
all watts counted double, all of them would come out double and every temperature stay the same.
So there is no factor on the heat. All that bears watts is counted in watts as they are reported,
and an error of the heater's rating is in all of it alike.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.signal import lfilter

from models.series import FloatArray

SLAB, ROOM = 0, 1
"""Where slab and room stand in a state."""
HEAT, OUTDOOR, SUN, CONSTANT = 0, 1, 2, 3
"""Where heat [W], outdoor air [°C], irradiance [W/m2] and the number one stand in the inputs."""


@dataclass(frozen=True, slots=True)
class Network:
    """One heated room as a slab core and a room.

    Parameters
    ----------
    slab_capacity_j_k, room_capacity_j_k : float
        Heat stored for each kelvin: by the slab; by air, contents and inner skin of the walls as
        far as they follow the air [J/K].
    slab_room_w_k, room_loss_w_k, ground_loss_w_k : float
        Conductances slab to room, room to outdoors, slab to ground [W/K].
    sun_gain_m2 : float
        Area that would take up the heat of the irradiance, A [m2].
    ground_c : float
        Temperature of the ground, Tg [°C].
    gain_w : float
        Constant heat into the room, G; it holds what else warms or cools the room [W].

    Raises
    ------
    ValueError
        Where a number is not finite, or the network would not be positive and stable.
    """

    slab_capacity_j_k: float
    room_capacity_j_k: float
    slab_room_w_k: float
    room_loss_w_k: float
    ground_loss_w_k: float
    sun_gain_m2: float = 0.0
    ground_c: float = 10.0
    gain_w: float = 0.0

    def __post_init__(self) -> None:
        if not all(math.isfinite(number) for number in asdict(self).values()):
            raise ValueError(f"every parameter must be a finite number: {self}")
        capacities = (self.slab_capacity_j_k, self.room_capacity_j_k)
        conductances = (self.slab_room_w_k, self.room_loss_w_k, self.ground_loss_w_k)
        if min(*capacities, *conductances) <= 0:
            raise ValueError(f"capacities and conductances must be above 0: {self}")
        if self.sun_gain_m2 < 0:
            raise ValueError(f"the sun's area must not be negative: {self.sun_gain_m2} m2")


@dataclass(frozen=True, slots=True, eq=False)
class Discrete:
    """A network over one step: x[k+1] = a x[k] + b_heat P + b_outdoor Te + b_sun I + drift.

    Parameters
    ----------
    a : array, shape (n, n)
        What a step leaves of the states, no entry below 0 [-].
    b_heat, b_outdoor, b_sun : array, shape (n,)
        For heat [W], outdoor air [°C] and irradiance [W/m2], each held over the step.
    drift : array, shape (n,)
        What ground and constant gain add in a step [K].
    air_row, slab_row : array, shape (n,)
        Room air is ``air_row @ x`` and the slab ``slab_row @ x`` [-].
    """

    a: FloatArray
    b_heat: FloatArray
    b_outdoor: FloatArray
    b_sun: FloatArray
    drift: FloatArray
    air_row: FloatArray
    slab_row: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Decays:
    """A network over one step, taken apart into parts that each decay on their own.

    Parameters
    ----------
    kept : array, shape (n,)
        What is left of each part after a step, between 0 and 1 [-].
    shape, unshape : array, shape (n, n)
        Temperatures are ``shape @ parts`` and parts ``unshape @ temperatures``.
    drive : array, shape (n, 4)
        What the inputs, held over the step, add to the parts.
    """

    kept: FloatArray
    shape: FloatArray
    unshape: FloatArray
    drive: FloatArray

    def driven(self, inputs: FloatArray) -> FloatArray:
        """Parts at the step borders from zero, shape (n, N + 1), for inputs of shape (4, N)."""
        added = self.drive @ inputs
        paths = [
            lfilter([0.0, 1.0], [1.0, -kept], np.append(line, 0.0))
            for kept, line in zip(self.kept, added, strict=True)
        ]
        return np.array(paths)


def decays(network: Network, step_s: float) -> Decays:
    """Take a network apart over a step of ``step_s``; exact for inputs held over it.

    Notes
    -----
    With the masses' capacities on the diagonal of C and conductances in K, the symmetric matrix
    C^-1/2 K C^-1/2 has the network's own rates: real and below 0 for all positive parameters,
    which is what makes it stable by construction.
    """
    capacity, conductance, inputs = _balances(network)
    root = np.sqrt(capacity)
    rate, vectors = np.linalg.eigh(conductance / np.outer(root, root))
    shape = vectors / root[:, np.newaxis]
    unshape = vectors.T * root
    held_s = np.expm1(rate * step_s) / rate
    drive = held_s[:, np.newaxis] * (unshape @ (inputs / capacity[:, np.newaxis]))
    return Decays(np.exp(rate * step_s), shape, unshape, drive)


def _balances(network: Network) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Capacities (n,), conductances (n, n) and inputs (n, 4) of the heat balances."""
    between = network.slab_room_w_k
    capacity = np.array([network.slab_capacity_j_k, network.room_capacity_j_k])
    leaving = np.array([between + network.ground_loss_w_k, between + network.room_loss_w_k])
    conductance = np.array([[-leaving[SLAB], between], [between, -leaving[ROOM]]])
    inputs = np.zeros((2, 4))
    inputs[SLAB, HEAT] = 1.0
    inputs[ROOM, OUTDOOR] = network.room_loss_w_k
    inputs[ROOM, SUN] = network.sun_gain_m2
    inputs[:, CONSTANT] = network.ground_loss_w_k * network.ground_c, network.gain_w
    return capacity, conductance, inputs


def discrete(network: Network, step_s: float) -> Discrete:
    """A network's exact step of ``step_s`` for inputs held over it (zero-order hold)."""
    apart = decays(network, step_s)
    drive = apart.shape @ apart.drive
    return Discrete(
        a=(apart.shape * apart.kept) @ apart.unshape,
        b_heat=drive[:, HEAT],
        b_outdoor=drive[:, OUTDOOR],
        b_sun=drive[:, SUN],
        drift=drive[:, CONSTANT],
        air_row=np.eye(2)[ROOM],
        slab_row=np.eye(2)[SLAB],
    )


def simulate(
    network: Network,
    start_c: ArrayLike,
    *,
    heat_w: ArrayLike,
    outdoor_c: ArrayLike,
    sun_w_m2: ArrayLike = 0.0,
    step_s: float,
) -> FloatArray:
    """Slab and room at the step borders, exact for inputs held over each step.

    Parameters
    ----------
    network : Network
    start_c : array, shape (2,)
        Slab and room at the beginning [°C].
    heat_w : array, shape (N,)
        Mean heat delivered in each step [W].
    outdoor_c, sun_w_m2 : array, shape (N,), or float
        Means of outdoor air [°C] and irradiance [W/m2] over each step.
    step_s : float
        Length of a step [s].

    Returns
    -------
    array, shape (N + 1, 2)
        Slab and room [°C].

    Raises
    ------
    ValueError
        Where a start or an input is not finite, or the inputs' lengths do not agree.
    """
    heat = np.asarray(heat_w, dtype=np.float64)
    given = (heat, outdoor_c, sun_w_m2, 1.0)
    inputs = np.stack([np.broadcast_to(np.asarray(each), heat.shape) for each in given])
    start = np.asarray(start_c, dtype=np.float64)
    if not (np.isfinite(inputs).all() and np.isfinite(start).all()):
        raise ValueError("a network needs finite start, heat, outdoor air and sun in every step")
    apart = decays(network, step_s)
    fading = apart.kept[:, np.newaxis] ** np.arange(len(heat) + 1)
    parts = apart.driven(inputs) + fading * (apart.unshape @ start)[:, np.newaxis]
    return np.asarray((apart.shape @ parts).T)


def steady_state_c(
    network: Network, *, heat_w: float, outdoor_c: float, sun_w_m2: float = 0.0
) -> FloatArray:
    """Slab and room after a very long time with these inputs, shape (2,) [°C]."""
    _, conductance, inputs = _balances(network)
    return np.asarray(
        np.linalg.solve(conductance, -inputs @ np.array([heat_w, outdoor_c, sun_w_m2, 1.0]))
    )


def time_constants_s(network: Network) -> FloatArray:
    """Time constants of a network, longest first, shape (2,) [s]."""
    capacity, conductance, _ = _balances(network)
    root = np.sqrt(capacity)
    return np.asarray(-1.0 / np.linalg.eigvalsh(conductance / np.outer(root, root))[::-1])

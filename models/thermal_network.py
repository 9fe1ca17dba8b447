"""Slab core, room and, where wanted, a third mass: delivered heat in, room air out.

    Cs dTs/dt = f P + As I - Ksr (Ts - Tr) - Ksg (Ts - Tg) [- Kst (Ts - Tt)]
    Cr dTr/dt = Ar I + G + O o + Kw d + w - Ksr (Ts - Tr) - Kro (Tr - Te) [- Krt (Tr - Tt)]
    [Ct dTt/dt = - Kst (Tt - Ts) - Krt (Tt - Tr) - Kto (Tt - Te) - Ktg (Tt - Tg)]

``o`` is whether people are in and ``d`` what the wind makes of the leaks (see `models.draught`).
The third mass is the inner lining of the walls (between room and outdoors) or the ground beneath
the slab (between slab and deep ground). ``w`` is heat that nobody measures: sun where there is no
sensor, a door left open, ground that is still cold. It is two states more, one that
fades within hours and one that fades within days; an observer finds both, and a forecast lets
them fade. Steps are exact for inputs held over each step (zero-order hold).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import get_blas_funcs

from models.series import FloatArray

Scalar = TypeVar("Scalar", np.float64, np.complex128)

UNSEEN_S = (12 * 3600.0, 240 * 3600.0)
"""Times in which the quick and the slow part of unseen heat fade to 37 % [s]."""

SLAB, ROOM, THIRD = 0, 1, 2
"""Where slab, room and third mass stand in a state; the two parts of unseen heat come last."""


class Kind(StrEnum):
    """Which masses a network has."""

    TWO_NODE = "two_node"
    LINING = "three_node"
    GROUND = "three_node_ground"


@dataclass(frozen=True, slots=True)
class Network:
    """One heated room as a network of two or three masses.

    Parameters
    ----------
    kind : Kind
    slab_capacity_j_k, room_capacity_j_k : float
        Heat stored for each kelvin [J/K].
    slab_room_w_k, room_outdoor_w_k, slab_ground_w_k : float
        Conductances Ksr, Kro, Ksg [W/K]; the last is 0 where the third mass is the ground.
    sun_slab_m2, sun_room_m2 : float
        Areas that would take up the heat of the irradiance, As and Ar [m2].
    heat_gain : float
        Heat that arrives in the slab for each watt said to be delivered, f [-].
    ground_c : float
        Temperature of the deep ground, Tg [°C].
    room_gain_w : float
        Constant heat into the room, G [W].
    people_w : float
        Heat of people and what they switch on, less what their doors let out, O [W].
    draught_w_k : float
        Kw: how much more the room loses at twice the usual wind [W/K].
    slab_reading_k_w : float
        Rise of the slab's sensor above the slab's mean for each watt being delivered, for the
        sensor is nearer to the tubes than the mean is (or further) [K/W].
    third_capacity_j_k : float
        Ct [J/K]; 0 where there is no third mass.
    third_slab_w_k, third_room_w_k, third_outdoor_w_k, third_ground_w_k : float
        Kst, Krt, Kto, Ktg [W/K].

    Raises
    ------
    ValueError
        Where a number is not finite, or the network would not be positive and stable.
    """

    kind: Kind
    slab_capacity_j_k: float
    room_capacity_j_k: float
    slab_room_w_k: float
    room_outdoor_w_k: float
    slab_ground_w_k: float
    sun_slab_m2: float
    sun_room_m2: float
    heat_gain: float
    ground_c: float
    room_gain_w: float = 0.0
    people_w: float = 0.0
    draught_w_k: float = 0.0
    slab_reading_k_w: float = 0.0
    third_capacity_j_k: float = 0.0
    third_slab_w_k: float = 0.0
    third_room_w_k: float = 0.0
    third_outdoor_w_k: float = 0.0
    third_ground_w_k: float = 0.0

    def __post_init__(self) -> None:
        numbers = self.values()
        if not all(math.isfinite(number) for number in numbers.values()):
            raise ValueError(f"every parameter must be a finite number: {self}")
        needed = ["slab_capacity_j_k", "room_capacity_j_k", "slab_room_w_k", "room_outdoor_w_k"]
        if self.kind is not Kind.TWO_NODE:
            needed.append("third_capacity_j_k")
        if any(numbers[name] <= 0 for name in [*needed, "heat_gain"]):
            raise ValueError(f"{', '.join(needed)} and heat_gain must be above 0: {self}")
        if any(number < 0 for name, number in numbers.items() if name not in SIGNED):
            raise ValueError(f"no conductance, capacity or area may be below 0: {self}")
        if self.kind is not Kind.TWO_NODE and self.third_slab_w_k + self.third_room_w_k <= 0:
            raise ValueError(f"a third mass must be coupled to slab or room: {self}")

    @property
    def masses(self) -> int:
        """How many masses it has, two or three."""
        return 2 if self.kind is Kind.TWO_NODE else 3

    @property
    def states(self) -> int:
        """Length of a state: the masses' temperatures [°C], then unseen heat in two parts [W]."""
        return self.masses + len(UNSEEN_S)

    def values(self) -> dict[str, float]:
        """Every parameter but the kind by name, as plain numbers to be kept."""
        return {each.name: getattr(self, each.name) for each in fields(self) if each.name != "kind"}


SIGNED = frozenset({"ground_c", "room_gain_w", "people_w", "draught_w_k", "slab_reading_k_w"})
"""Parameters that may be below 0; all others are positive."""

INPUTS = ("heat_w", "outdoor_c", "sun_w_m2", "one", "occupied", "draught_k")
"""What acts on a network over a step, in the order of every array of inputs: heat, outdoor air,
irradiance, 1 for the constant part, the share of the step with people in, and the draught."""


@dataclass(frozen=True, slots=True, eq=False)
class Discrete:
    """A network over one step: x[k+1] = a x[k] + drive @ u[k].

    Parameters
    ----------
    a : array, shape (n, n)
    drive : array, shape (n, 6)
        What each of `INPUTS`, held over the step, adds to the state.
    c_air, c_slab : array, shape (n,)
        Room air is ``c_air @ x`` and the slab ``c_slab @ x`` [°C].
    slab_heat_k_w : float
        What the slab's sensor shows on top of that for each watt being delivered [K/W].
    """

    a: FloatArray
    drive: FloatArray
    c_air: FloatArray
    c_slab: FloatArray
    slab_heat_k_w: float

    @property
    def b_heat(self) -> FloatArray:
        """What a watt of heat adds to the state in a step, shape (n,)."""
        return np.asarray(self.drive[:, 0])

    @property
    def b_outdoor(self) -> FloatArray:
        """The same of a kelvin outdoors, shape (n,)."""
        return np.asarray(self.drive[:, 1])

    @property
    def b_sun(self) -> FloatArray:
        """The same of a W/m2 of irradiance, shape (n,)."""
        return np.asarray(self.drive[:, 2])

    @property
    def drift(self) -> FloatArray:
        """What ground and constant gain do in a step, shape (n,)."""
        return np.asarray(self.drive[:, 3])


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """The masses over one step, taken apart into modes that decay each on its own.

    Parameters
    ----------
    decay : array, shape (m,)
        What is left of each mode after a step [-], within 0 to 1.
    shape : array, shape (m, m)
        Temperatures from modes.
    unshape : array, shape (m, m)
        Modes from temperatures.
    drive : array, shape (m, 7)
        What each of `INPUTS`, and heat into the room, add to the modes in a step.
    """

    decay: FloatArray
    shape: FloatArray
    unshape: FloatArray
    drive: FloatArray


def modes(network: Network, step_s: float) -> Modes:
    """Take a network apart; exact for any step.

    Notes
    -----
    With S = C^-1/2, S K S is symmetric and negative definite: its eigenvalues are real and below
    0 whatever the positive parameters, which is what makes the network stable by construction.
    """
    capacity, conductance, inputs = _balances(network)
    root = np.sqrt(capacity)
    rate, vectors = np.linalg.eigh(conductance / np.outer(root, root))
    decay = np.exp(rate * step_s)
    shape = vectors / root[:, np.newaxis]
    unshape = vectors.T * root
    held = np.expm1(rate * step_s) / rate
    drive = held[:, np.newaxis] * (unshape @ (inputs / capacity[:, np.newaxis]))
    return Modes(decay, shape, unshape, drive)


def _balances(network: Network) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Capacities (m,), conductances (m, m) and inputs (m, 7) of the heat balances."""
    count = network.masses
    capacity = np.array(
        [network.slab_capacity_j_k, network.room_capacity_j_k, network.third_capacity_j_k]
    )[:count]
    between, outdoor_w_k, ground_w_k = np.zeros((3, 3)), np.zeros(3), np.zeros(3)
    between[SLAB, ROOM] = network.slab_room_w_k
    between[SLAB, THIRD] = network.third_slab_w_k
    between[ROOM, THIRD] = network.third_room_w_k
    between += between.T
    outdoor_w_k[ROOM], outdoor_w_k[THIRD] = network.room_outdoor_w_k, network.third_outdoor_w_k
    ground_w_k[SLAB], ground_w_k[THIRD] = network.slab_ground_w_k, network.third_ground_w_k
    between = between[:count, :count]
    leaving_w_k = between.sum(axis=1) + outdoor_w_k[:count] + ground_w_k[:count]
    inputs = np.zeros((3, len(INPUTS) + 1))
    inputs[SLAB, 0] = network.heat_gain
    inputs[:, 1] = outdoor_w_k
    inputs[SLAB, 2], inputs[ROOM, 2] = network.sun_slab_m2, network.sun_room_m2
    inputs[:, 3] = ground_w_k * network.ground_c
    inputs[ROOM, 3] += network.room_gain_w
    inputs[ROOM, 4], inputs[ROOM, 5] = network.people_w, network.draught_w_k
    inputs[ROOM, -1] = 1.0
    return capacity, between - np.diag(leaving_w_k), inputs[:count]


def fading(step_s: float) -> FloatArray:
    """What is left of the two parts of unseen heat after a step, shape (2,) [-]."""
    return np.exp(-step_s / np.array(UNSEEN_S))


def discrete(network: Network, step_s: float) -> Discrete:
    """A network's exact step of ``step_s`` for inputs held over it.

    Unseen heat is held over each step too, and fades between two steps.
    """
    apart = modes(network, step_s)
    masses, states = network.masses, network.states
    whole = np.zeros((states, states))
    whole[:masses, :masses] = (apart.shape * apart.decay) @ apart.unshape
    drive = apart.shape @ apart.drive
    whole[:masses, masses:] = drive[:, -1:]
    whole[masses:, masses:] = np.diag(fading(step_s))
    inputs = np.zeros((states, len(INPUTS)))
    inputs[:masses] = drive[:, :-1]
    outputs = np.eye(states)
    return Discrete(
        a=whole,
        drive=inputs,
        c_air=outputs[ROOM],
        c_slab=outputs[SLAB],
        slab_heat_k_w=network.slab_reading_k_w,
    )


def simulate(
    network: Network,
    x0: FloatArray,
    *,
    heat_w: ArrayLike,
    outdoor_c: ArrayLike,
    sun_w_m2: ArrayLike,
    step_s: float,
    occupied: ArrayLike = 0.0,
    draught_k: ArrayLike = 0.0,
) -> FloatArray:
    """States at the step borders, exact for inputs held over each step.

    Parameters
    ----------
    network : Network
    x0 : array, shape (n,) or (masses,)
        State at the beginning; without unseen heat where it holds the masses alone.
    heat_w : array, shape (N,)
        Mean heat delivered in each step [W].
    outdoor_c, sun_w_m2 : array, shape (N,), or float
        Means of outdoor air [°C] and irradiance [W/m2] over each step.
    step_s : float
        Length of a step [s].
    occupied : array, shape (N,), or float
        Share of each step with people in [0..1].
    draught_k : array, shape (N,), or float
        As `models.draught.draught_k` gives [K].

    Returns
    -------
    array, shape (N + 1, n)

    Raises
    ------
    ValueError
        Where an input is not finite or of another length.
    """
    heat = np.asarray(heat_w, dtype=np.float64)
    count, masses = len(heat), network.masses
    begin = np.zeros(network.states)
    begin[: len(x0)] = x0
    unseen = begin[masses:] * fading(step_s) ** np.arange(count + 1)[:, np.newaxis]
    unseen_w = unseen[:count].sum(axis=1)
    given = (heat, outdoor_c, sun_w_m2, 1.0, occupied, draught_k, unseen_w)
    inputs = np.stack([np.broadcast_to(np.asarray(v, dtype=np.float64), count) for v in given])
    if not (np.isfinite(inputs).all() and np.isfinite(begin).all()):
        raise ValueError("a network needs finite start, heat, outdoor air and sun in every step")
    apart = modes(network, step_s)
    path = np.array(
        [
            follow_mode(decay, driven, start)
            for decay, driven, start in zip(
                apart.decay, apart.drive @ inputs, apart.unshape @ begin[:masses], strict=True
            )
        ]
    )
    return np.column_stack(((apart.shape @ path).T, unseen))


def follow_mode(decay: float, driven: FloatArray, start: float = 0.0) -> FloatArray:
    """One mode at the step borders, shape (N + 1,), given what drives it in each step (N,)."""
    return recur(decay, np.concatenate(([start], driven)))


def recur(decay: complex, added: NDArray[Scalar]) -> NDArray[Scalar]:
    """``y[k] = decay y[k-1] + added[k]`` from nothing, shape (N,), real or complex.

    As the triangular system that it is: scipy's filter does the same, but takes longer to load
    than a plan takes to make.
    """
    solve = get_blas_funcs("tbsv", (added,))
    bands = np.empty((2, len(added)), dtype=added.dtype, order="F")
    bands[0], bands[1] = 1.0, -decay
    return np.asarray(solve(1, bands, added, lower=1, diag=1))


def steady_state(
    network: Network, *, heat_w: float, outdoor_c: float, sun_w_m2: float = 0.0
) -> FloatArray:
    """Where constant inputs lead in the end, without unseen heat: temperatures, shape (m,) [°C]."""
    _, conductance, inputs = _balances(network)
    given = np.array([heat_w, outdoor_c, sun_w_m2, 1.0, 0.0, 0.0, 0.0])
    return np.asarray(np.linalg.solve(conductance, -inputs @ given))


def time_constants_s(network: Network) -> FloatArray:
    """Time constants of a network's modes, longest first, shape (m,) [s]."""
    hour_s = 3600.0
    return np.asarray(np.sort(-hour_s / np.log(modes(network, hour_s).decay))[::-1])

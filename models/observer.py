"""Where a room stands now: the state of its network from the readings of the last days.

A Kalman filter. The slab's mean is hidden even where a sensor sits in it; unseen heat always is.
Readings may be missing, of slab or air; a reading far off what is expected (a door, a spike) pulls
no more than one three standard deviations off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_discrete_are

from models.network_record import Record, Seen, record_of
from models.series import FloatArray, Series
from models.thermal_network import ROOM, SLAB, Discrete, Kind, Network, discrete, fading

STEP_S = 900.0
"""Step of the observer [s]."""

# Process noise, for each watt per kelvin of loss outdoors (chosen here on simulated workshops).
_UNSEEN_K = (1.1, 0.75)  # standard deviation of the quick and the slow unseen heat
_STRAY_K_SQRT_H = (0.3, 0.75, 0.3)  # heat that comes and goes at once, into slab, room, third
_AIR_SD_K = 0.1  # noise, steps and place of the sensor
_SLAB_SD_K = 0.5  # what one spot of a slab says of its mean
_GATE_SD = 3.0
_BEGIN_SD_K = (8.0, 2.0, 5.0)  # of slab, room and third before any reading of the filter's own


@dataclass(frozen=True, slots=True)
class Noise:
    """How far room and sensors stray from the network.

    Parameters
    ----------
    unseen_w : tuple of two float
        Standard deviation of the quick and of the slow unseen heat [W].
    stray_w_sqrt_h : tuple of three float
        Heat that comes and goes at once, into slab, room and third mass [W h^(1/2)].
    air_k, slab_k : float
        Standard deviation of the readings of room air and slab [K].
    """

    unseen_w: tuple[float, float]
    stray_w_sqrt_h: tuple[float, float, float]
    air_k: float = _AIR_SD_K
    slab_k: float = _SLAB_SD_K


def noise_of(network: Network, *, scale: float = 1.0) -> Noise:
    """Noise to expect of a network; ``scale`` times as much from unseen and stray heat."""
    loss_w_k = scale * (network.room_outdoor_w_k + network.third_outdoor_w_k)
    quick, slow = _UNSEEN_K
    slab, room, third = _STRAY_K_SQRT_H
    return Noise(
        unseen_w=(quick * loss_w_k, slow * loss_w_k),
        stray_w_sqrt_h=(slab * loss_w_k, room * loss_w_k, third * loss_w_k),
    )


def step_covariance(network: Network, noise: Noise, step_s: float) -> FloatArray:
    """Covariance of what a step adds to the state, shape (n, n)."""
    masses = network.masses
    capacity = np.array(
        [network.slab_capacity_j_k, network.room_capacity_j_k, network.third_capacity_j_k]
    )[:masses]
    stray_j = np.array(noise.stray_w_sqrt_h[:masses]) * 3600.0 * math.sqrt(step_s / 3600.0)
    unseen = np.array(noise.unseen_w) ** 2 * (1.0 - fading(step_s) ** 2)
    return np.diag(np.concatenate(((stray_j / capacity) ** 2, unseen)))


def steady_gain(step: Discrete, added: FloatArray, noise: Noise, seen: Seen) -> FloatArray:
    """Gain that the filter settles at, shape (n, 1) for air alone, (n, 2) for air and slab."""
    rows = np.stack((step.c_air, step.c_slab))[: seen.value]
    reading = np.diag([noise.air_k**2, noise.slab_k**2])[: seen.value, : seen.value]
    expected = solve_discrete_are(step.a.T, rows.T, added, reading)
    return np.asarray(np.linalg.solve(rows @ expected @ rows.T + reading, rows @ expected).T)


@dataclass(frozen=True, slots=True, eq=False)
class Observed:
    """The state at the end of a series.

    Parameters
    ----------
    x : array, shape (n,)
        Slab, room and third mass [°C], unseen heat in two parts [W].
    covariance : array, shape (n, n)
    """

    x: FloatArray
    covariance: FloatArray


def observe(network: Network, series: Series, noise: Noise | None = None) -> Observed:
    """State of a network at the end of the last step of a series.

    Parameters
    ----------
    network : Network
    series : Series
        The last two or three days, or more; ``power_w`` must reach to the end.
    noise : Noise, optional
        That of `noise_of` where it is left out.

    Raises
    ------
    ValueError
        Where the series holds no room air at all.
    """
    return observe_all([network], series, noise)[0]


def observe_all(
    networks: Sequence[Network], series: Series, noise: Noise | None = None
) -> list[Observed]:
    """The same for several networks of one kind, at little more cost than for one."""
    record = record_of(series, step_s=STEP_S)
    if not np.isfinite(record.air_c).any():
        raise ValueError("no room air in the series: the observer needs one good reading")
    filters = _Filters(networks, record, noise or noise_of(networks[0]))
    for index in range(len(record)):
        filters.read(index)
        filters.move(index)
    return [Observed(x, p) for x, p in zip(filters.x, filters.p, strict=True)]


class _Filters:
    """Filters for ``b`` networks side by side: states (b, n), covariances (b, n, n)."""

    def __init__(self, networks: Sequence[Network], record: Record, noise: Noise) -> None:
        steps = [discrete(network, record.step_s) for network in networks]
        self._record = record
        self._noise = noise
        self._a = np.stack([step.a for step in steps])
        self._moves = np.stack([step.drive for step in steps]) @ record.inputs
        self._added = np.stack([step_covariance(net, noise, record.step_s) for net in networks])
        self._slab_heat_k_w = np.array([step.slab_heat_k_w for step in steps])
        self._wide = np.stack([np.diag(first_sd(net, noise) ** 2) for net in networks])
        self.x = np.stack([first_state(network, record, first=0) for network in networks])
        self.p = self._wide

    def read(self, index: int) -> None:
        """Take in the readings at the beginning of a step."""
        air_c, slab_c = self._record.air_c[index], self._record.slab_c[index]
        if math.isfinite(air_c):
            self._correct(ROOM, air_c - self.x[:, ROOM], self._noise.air_k)
        if math.isfinite(slab_c):
            shown_c = self.x[:, SLAB] + self._slab_heat_k_w * self._record.inputs[0, index]
            self._correct(SLAB, slab_c - shown_c, self._noise.slab_k)

    def _correct(self, state: int, surprise_k: FloatArray, reading_sd_k: float) -> None:
        column = self.p[:, :, state]
        variance = column[:, state] + reading_sd_k**2
        limit = _GATE_SD * np.sqrt(variance)
        gain = column / variance[:, np.newaxis]
        self.x = self.x + gain * np.clip(surprise_k, -limit, limit)[:, np.newaxis]
        self.p = self.p - gain[:, :, np.newaxis] * column[:, np.newaxis, :]

    def move(self, index: int) -> None:
        """Go one step on; over a step without inputs the state stays, and is uncertain."""
        if not self._record.driven[index]:
            self.p = self._wide
            return
        self.x = (self._a @ self.x[:, :, np.newaxis])[:, :, 0] + self._moves[:, :, index]
        self.p = self._a @ self.p @ self._a.transpose(0, 2, 1) + self._added


def first_state(network: Network, record: Record, *, first: int) -> FloatArray:
    """What to take for the state at a sample, from the first readings after it, shape (n,)."""
    air_c = _first_known(record.air_c[first:], network.ground_c)
    slab_c = _first_known(record.slab_c[first:], air_c)
    third_c = 0.5 * (slab_c + network.ground_c) if network.kind is Kind.GROUND else air_c
    state = np.zeros(network.states)
    state[: network.masses] = (slab_c, air_c, third_c)[: network.masses]
    return state


def first_sd(network: Network, noise: Noise) -> FloatArray:
    """Standard deviations of `first_state`, shape (n,)."""
    return np.array([*_BEGIN_SD_K[: network.masses], *noise.unseen_w])


def _first_known(values: FloatArray, otherwise: float) -> float:
    known = values[np.isfinite(values)]
    return float(known[0]) if len(known) else otherwise

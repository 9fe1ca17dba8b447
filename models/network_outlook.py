"""What the room may do along a plan: paths over parameters, state, weather and unseen heat."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.observer import Noise, Observed, step_covariance
from models.series import FloatArray
from models.thermal_network import Network, discrete

WEATHER_MEMORY_S = 24 * 3600.0
"""Time in which an error of the weather's forecast fades to 37 % (chosen here, no source) [s]."""


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """What is taken to act over ``N`` steps, and how far off it may be.

    Parameters
    ----------
    step_s : float
    heat_w : array, shape (N,)
        Heat of the plan [W].
    outdoor_c, sun_w_m2 : array, shape (N,), or float
        Means over each step as forecast [°C], [W/m2].
    outdoor_sd_k, sun_sd_w_m2 : array, shape (N,), or float
        Standard deviation of their errors [K], [W/m2].
    occupied, draught_k : array, shape (N,), or float
        Share of each step with people in [0..1]; as `models.draught.draught_k` gives [K].
    """

    step_s: float
    heat_w: FloatArray
    outdoor_c: FloatArray | float
    sun_w_m2: FloatArray | float
    outdoor_sd_k: FloatArray | float = 0.0
    sun_sd_w_m2: FloatArray | float = 0.0
    occupied: FloatArray | float = 0.0
    draught_k: FloatArray | float = 0.0


def drawn_air(
    networks: Sequence[Network],
    states: Sequence[Observed],
    noise: Noise,
    outlook: Outlook,
    *,
    seed: int,
) -> FloatArray:
    """Room air at the step borders, one path for each network, shape (count, N + 1) [°C].

    Parameters
    ----------
    networks : sequence of Network
        Draws of one kind: as many as paths are wanted.
    states : sequence of Observed
        Where each of them starts, as `models.observer.observe_all` gives.
    noise : Noise
    outlook : Outlook
    seed : int
        Same seed, same paths.
    """
    rng = np.random.default_rng(seed)
    heat = np.asarray(outlook.heat_w, dtype=np.float64)
    shape = (len(networks), len(heat))
    memory = math.exp(-outlook.step_s / WEATHER_MEMORY_S)
    outdoor = outlook.outdoor_c + outlook.outdoor_sd_k * red_noise(rng, shape, memory)
    sun = outlook.sun_w_m2 + outlook.sun_sd_w_m2 * red_noise(rng, shape, memory)
    steps = [discrete(network, outlook.step_s) for network in networks]
    given = (heat, outdoor, np.maximum(0.0, sun), 1.0, outlook.occupied, outlook.draught_k)
    inputs = np.stack([np.broadcast_to(values, shape) for values in given], axis=1)
    moves = np.stack([step.drive for step in steps]) @ inputs
    added = np.stack([step_covariance(net, noise, outlook.step_s) for net in networks])
    stray = np.sqrt(np.diagonal(added, axis1=1, axis2=2))[:, :, np.newaxis]
    moves += stray * rng.standard_normal(moves.shape)
    begin = np.stack([_drawn_state(state, rng) for state in states])
    return _led(np.stack([step.a for step in steps]), begin, moves, steps[0].c_air)


def air_quantiles(paths: FloatArray, quantiles: Sequence[float]) -> FloatArray:
    """Quantiles of drawn paths at each step border, shape (quantiles, N + 1)."""
    return np.asarray(np.quantile(paths, quantiles, axis=0))


def red_noise(rng: np.random.Generator, shape: tuple[int, int], memory: float) -> FloatArray:
    """Rows of standard normal numbers, each correlated by ``memory`` with the one before."""
    fresh = rng.standard_normal(shape)
    rows = np.empty(shape)
    current = fresh[:, 0] if shape[1] else fresh
    for index in range(shape[1]):
        if index:
            current = memory * current + math.sqrt(1.0 - memory**2) * fresh[:, index]
        rows[:, index] = current
    return rows


def _drawn_state(state: Observed, rng: np.random.Generator) -> FloatArray:
    values, vectors = np.linalg.eigh(0.5 * (state.covariance + state.covariance.T))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(state.x + root @ rng.standard_normal(len(state.x)))


def _led(a: FloatArray, begin: FloatArray, moves: FloatArray, row: FloatArray) -> FloatArray:
    """``row @ x`` along x[k+1] = a x[k] + moves[k], for all draws at once."""
    state = begin
    air = np.empty((len(begin), moves.shape[2] + 1))
    air[:, 0] = state @ row
    for index in range(moves.shape[2]):
        state = (a @ state[:, :, np.newaxis])[:, :, 0] + moves[:, :, index]
        air[:, index + 1] = state @ row
    return air

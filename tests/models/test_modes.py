"""Modes against the states they stand for."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from models.modes import Modes, modes_of
from tests.models.rooms import random_room


def response(modes: Modes, heat: np.ndarray) -> np.ndarray:
    """States that heat makes, by way of the modes."""
    sums, states = np.zeros(len(modes.gain)), []
    for power in heat:
        sums = modes.step @ sums + modes.gain * power
        states.append(modes.vectors @ sums)
    return np.array(states)


@pytest.mark.parametrize("seed", range(8))
def test_modes_give_the_response_of_the_states(seed: int) -> None:
    """Rooms of one to three capacities: parted sums and states warm alike, one factor each."""
    rng = np.random.default_rng(seed)
    room = random_room(rng, 5)
    heat = rng.uniform(0.0, 1.0, 60)
    modes = modes_of(room.a, 8000.0 * room.b_heat)
    plain = Modes(room.a, 8000.0 * room.b_heat, np.eye(len(room.a)))
    assert response(modes, heat) == pytest.approx(response(plain, heat), abs=1e-9)
    assert np.count_nonzero(modes.step) == len(modes.gain)
    assert (modes.gain == 1.0).all()


def test_decay_factors_are_those_of_the_eigenvalues(set_a: Any) -> None:
    """Set A at 15 minutes: exp of the published eigenvalues times 900 s."""
    ad, bd = set_a.matrices(900.0)
    factors = np.sort(np.diag(modes_of(ad, bd[:, 0]).step))
    assert factors == pytest.approx(
        np.exp(900.0 * np.array([-2.916340471e-4, -7.810397312e-6])), rel=1e-7
    )


def test_what_heat_does_not_reach_is_left_out() -> None:
    """Two rooms in one matrix, heat in the first: one mode, and none for the second."""
    modes = modes_of(np.diag([0.9, 0.8]), np.array([1.0, 0.0]))
    assert modes.step.shape == (1, 1)
    assert modes.vectors == pytest.approx(np.array([[1.0], [0.0]]))


@pytest.mark.parametrize(
    "a",
    [
        np.array([[0.0, 0.0], [1.0, 0.0]]),  # a delay: one factor, twice, one vector
        np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]]) * 0.9,  # complex factors
        np.array([[0.1, 0.5], [0.5, 0.1]]),  # a factor below 0
    ],
)
def test_states_serve_where_modes_do_not(a: np.ndarray) -> None:
    """No real, positive, separate factors: the states as they are."""
    gain = np.ones(len(a))
    modes = modes_of(a, gain)
    assert modes.step is a
    assert modes.gain is gain
    assert (modes.vectors == np.eye(len(a))).all()

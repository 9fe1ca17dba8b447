"""Which rung is taken: by errors hours ahead on held-back history."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from models.first_order import FirstOrder
from models.ladder import FIRST_ORDER, grow
from models.response_fit import fit
from models.thermal_network import Kind
from tests.models.network_cases import days, description, first_order_description, workshop_weeks


def test_a_rich_workshop_climbs_to_a_network() -> None:
    """Three weeks of six masses: a network wins by far, and is fitted to all of the history."""
    series = days(workshop_weeks(), 0, 21)
    grown = grow(series, first_order=first_order_description(), network=description())
    assert grown.rung in {kind.value for kind in Kind}
    assert grown.network is not None
    assert grown.network.ok
    assert grown.network.network.kind == grown.rung
    assert grown.error_k[grown.rung] < 0.8 * grown.error_k[FIRST_ORDER]
    assert grown.first_order.model == fit(series, first_order_description()).model


def test_too_little_history_stays_on_the_first_rung() -> None:
    """A day and a half says nothing of any rung: first order, no network."""
    series = days(workshop_weeks(), 0, 1.5)
    grown = grow(series, first_order=first_order_description(), network=description())
    assert grown.rung == FIRST_ORDER
    assert grown.network is None


def test_the_rung_taken_errs_no_more_than_the_true_form(first_order_series: Any) -> None:
    """Data of a first-order room: whatever is taken is as good as a first-order response.

    The observer's unseen heat lets a network copy a first-order room closely, so a network may
    be taken; it must not be worse for it.
    """
    truth = FirstOrder(36 * 3600.0, 0.0062, 3600.0, 1.5, 0.008)
    series = first_order_series(truth, days=21, seed=4)
    grown = grow(series, first_order=first_order_description(), network=description())
    assert grown.error_k[FIRST_ORDER] < 0.6  # the true form does well
    assert grown.error_k[grown.rung] <= grown.error_k[FIRST_ORDER]


def test_nothing_known_is_the_first_rung() -> None:
    """Without any air every rung is unjudged, and the prior's response stands."""
    series = days(workshop_weeks(), 0, 5)
    silent = replace(series, air_c=np.full(len(series.air_c), np.nan))
    grown = grow(silent, first_order=first_order_description(), network=description())
    assert grown.rung == FIRST_ORDER
    assert not grown.first_order.ok
    assert all(np.isnan(error) for error in grown.error_k.values())

"""``slabtide fit``: the heat stores that plans are made with."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.commands._network import network_lines
from controller.configuration import Configuration
from controller.planning.network_parameters import DOUBTED, network_values, prior_of
from controller.records.plan import ParameterSet, Value
from models.observer import noise_of
from models.thermal_network import Kind

Sets = tuple[ParameterSet, ParameterSet]


def _set(configuration: Configuration, learnt: Sets, kind: Kind) -> ParameterSet:
    """What was learnt, with a network whose slab is twice the description's."""
    site = configuration.site
    belief = prior_of(site, site.zones[0]).belief(kind)
    network = replace(belief.network, slab_capacity_j_k=7.2e6, slab_room_w_k=400.0, people_w=-0.2)
    values = network_values(replace(belief, network=network), noise_of(network))
    values["network_slab_room_w_k"] = Value(400.0, 0.1)
    values["network_people_w"] = Value(-0.2, 100.0)
    return replace(learnt[1], model=kind.value, values={**learnt[1].values, **values})


def _lines(configuration: Configuration, found: ParameterSet) -> list[str]:
    site = configuration.site
    return list(network_lines(site, site.zones[0], found))


def test_each_store_and_what_passes_between(configuration: Configuration, learnt: Sets) -> None:
    """In an owner's units with 90 % intervals, beside the description's; no minus nothing."""
    lines = _lines(configuration, _set(configuration, learnt, Kind.TWO_NODE))
    assert lines[0].strip() == "Plans are made with slab and room, and what passes between them:"
    rows = {line[4:27].strip(): line[27:].split("  ")[0] for line in lines[1:]}
    assert rows["slab stores"].startswith("2.00 kWh/K (")
    # 400 W/K x exp(+-1.6449 x 0.1), 1.6449 x 100 W, by hand
    assert rows["slab to room"] == "400 W/K (339 to 472)"
    assert rows["people"] == "0 W (-165 to 164)"
    assert len(lines) == 9


@pytest.mark.parametrize(("kind", "name"), [(Kind.LINING, "lining"), (Kind.GROUND, "ground")])
def test_the_third_store_has_its_name(
    configuration: Configuration, learnt: Sets, kind: Kind, name: str
) -> None:
    """Its own capacity and every conductance that it has."""
    lines = _lines(configuration, _set(configuration, learnt, kind))
    assert f"slab, room and {name}," in lines[0]
    assert any(line.strip().startswith(f"{name} stores") for line in lines)
    assert any(f"slab to {name}" in line for line in lines)


def test_doubt_is_told(configuration: Configuration, learnt: Sets) -> None:
    """Where the set was learnt against the description."""
    found = _set(configuration, learnt, Kind.TWO_NODE)
    doubted = replace(found, values={**found.values, DOUBTED: Value(1.0, 0.0)})
    told = _lines(configuration, doubted)[-1]
    assert "against the building's description" in told
    assert told.endswith("Furthest off is 'slab stores'.")
    assert "against" not in _lines(configuration, found)[-1]


def test_nothing_is_said_without_a_network(configuration: Configuration, learnt: Sets) -> None:
    """A first-order set has none; one that lacks a number is named instead of failing."""
    assert _lines(configuration, learnt[1]) == []
    broken = dict(_set(configuration, learnt, Kind.TWO_NODE).values)
    del broken["network_slab_room_w_k"]
    found = replace(learnt[1], model="two_node", values=broken)
    assert "cannot be read" in _lines(configuration, found)[0]

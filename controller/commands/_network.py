"""The heat stores that plans are made with, beside what the building's description says of them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from controller.commands.fit import interval_90
from controller.planning.network_parameters import DOUBTED, network_of, prior_of
from controller.planning.parameters import MODEL
from controller.records.plan import ParameterSet, Value
from controller.records.site import Site, Zone
from models.network_prior import LEARNT
from models.thermal_network import SIGNED, Kind

_J_PER_KWH = 3.6e6

_THIRD: Mapping[Kind, str] = {
    Kind.TWO_NODE: "",
    Kind.LINING: "lining",
    Kind.GROUND: "ground",
}
"""What the third mass of a network is called."""


@dataclass(frozen=True, slots=True)
class _Row:
    """One parameter: how it is called and shown. ``{}`` stands for the third mass."""

    name: str
    label: str
    unit: str
    digits: int
    convert: Callable[[float], float] = float

    def shown(self, value: float, sd: float) -> str:
        """The value with its 90 % interval; ``sd`` is of the logarithm where it is positive."""
        positive = self.name not in SIGNED
        ends = interval_90(Value(value, value * sd if positive else sd), positive=positive)
        # adding 0 makes a number of what is rounded to minus nothing
        rounded = (round(self.convert(v), self.digits) + 0.0 for v in (value, *ends))
        number, low, high = (f"{v:.{self.digits}f}" for v in rounded)
        return f"{number} {self.unit} ({low} to {high})"

    def distance(self, value: float, expected: float, sd: float) -> float:
        """How far off a value is, in standard deviations of what was expected."""
        off = value - expected if self.name in SIGNED else math.log(value / expected)
        return abs(off) / sd


def _kwh(joules: float) -> float:
    return joules / _J_PER_KWH


_ROWS = (
    _Row("slab_capacity_j_k", "slab stores", "kWh/K", 2, _kwh),
    _Row("room_capacity_j_k", "room stores", "kWh/K", 2, _kwh),
    _Row("third_capacity_j_k", "{} stores", "kWh/K", 2, _kwh),
    _Row("slab_room_w_k", "slab to room", "W/K", 0),
    _Row("room_outdoor_w_k", "room to outdoors", "W/K", 0),
    _Row("slab_ground_w_k", "slab to ground", "W/K", 0),
    _Row("third_slab_w_k", "slab to {}", "W/K", 0),
    _Row("third_room_w_k", "room to {}", "W/K", 0),
    _Row("third_outdoor_w_k", "{} to outdoors", "W/K", 0),
    _Row("third_ground_w_k", "{} to deep ground", "W/K", 0),
    _Row("sun_slab_m2", "sun on the slab", "m2", 1),
    _Row("sun_room_m2", "sun in the room", "m2", 1),
    _Row("people_w", "people", "W", 0),
)


def network_lines(site: Site, zone: Zone, in_force: ParameterSet) -> Iterator[str]:
    """The network of a zone's set line by line; nothing where it holds none."""
    if in_force.model == MODEL:
        return
    try:
        network = network_of(in_force)
    except ValueError as error:
        yield f"  The network that plans are made with cannot be read ({error})."
        return
    third = _THIRD[network.kind]
    masses = f"slab, room and {third}" if third else "slab and room"
    described = prior_of(site, zone).belief(network.kind)
    expected, expected_sd = described.network.values(), described.standard_deviations()
    yield f"  Plans are made with {masses}, and what passes between them:"
    rows = [row for row in _ROWS if row.name in LEARNT[network.kind]]
    for row in rows:
        learnt = in_force.values[f"network_{row.name}"]
        shown = row.shown(learnt.value, learnt.sd)
        beside = row.shown(expected[row.name], expected_sd[row.name])
        yield f"    {row.label.format(third):23}{shown:30}{beside}"
    if DOUBTED in in_force.values:
        values = network.values()
        furthest = max(
            rows,
            key=lambda r: r.distance(values[r.name], expected[r.name], expected_sd[r.name]),
        ).label.format(third)
        yield (
            "  These were learnt against the building's description, which does not explain its "
            f"history: check it in the site file. Furthest off is {furthest!r}."
        )

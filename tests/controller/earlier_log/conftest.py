"""A site for logs: two bays, one boiler, one kettle of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller.earlier_log import EarlierLog, read_log
from controller.records.site import Broker, Floor, Heater, Loop, Relay, Role, Sensor, Site, Zone

NOW_S = datetime(2026, 12, 1, tzinfo=UTC).timestamp()


@pytest.fixture
def site() -> Site:
    """One bay; Berlin time."""
    floor = Floor(40.0, 26.0, 0.15, 1.6, 2300.0, 1000.0, 0.08, 0.2, 0.1, 0.035, 0.0, 0.3, 1.5)
    return Site(
        id="slipway",
        time_zone="Europe/Berlin",
        latitude_deg=52.0,
        longitude_deg=13.0,
        store="store",
        broker=Broker("localhost", 1883),
        zones=(Zone("bay", "Bay", floor, 120.0, 0.5, ()),),
        loops=(Loop("bay-loop", "bay", 180.0, 0.016, 0.3),),
        heaters=(Heater("boiler", 6000.0, 55.0, ("bay-loop",), Relay("relay/set", leases=True)),),
        sensors=(
            Sensor("rack-air", Role.AIR, "bay", "t/air", "°C"),
            Sensor("rack-slab", Role.SLAB, "bay", "t/slab", "°C"),
            Sensor("bay-supply", Role.SUPPLY, "bay-loop", "t/supply", "°C"),
        ),
    )


@pytest.fixture
def two_bays(site: Site) -> Site:
    """The same with a loft on a kettle."""
    loft = replace(site.zones[0], id="loft")
    kettle = replace(site.heaters[0], id="kettle", loops=("loft-loop",))
    loop = replace(site.loops[0], id="loft-loop", zone="loft")
    return replace(
        site,
        zones=(*site.zones, loft),
        loops=(*site.loops, loop),
        heaters=(*site.heaters, kettle),
    )


Read = Callable[..., EarlierLog]


@pytest.fixture
def read(site: Site, tmp_path: Path) -> Read:
    """Write a text to ``log.csv`` and read it; ``where`` is the site if not that of one bay."""

    def make(text: str | bytes, where: Site = site) -> EarlierLog:
        path = tmp_path / "log.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_log(path, where, now_s=NOW_S)

    return make

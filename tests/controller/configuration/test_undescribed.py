"""A building of which its owner tells the floor's area alone."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from controller.configuration import load_all
from controller.planning.describe import zone_network_prior, zone_prior
from controller.records.site import Zone
from models.thermal_network import Kind
from tests.controller.configuration.conftest import SITE

_HALL = re.compile(r"  hall:\n.*?(?=loops:)", re.DOTALL)
_LOOP = "  hall-loop: {zone: hall, tube_length_m: 200, tube_bore_mm: 16, glycol_mass_percent: 30}"


@pytest.fixture
def bare(folder: Path) -> Zone:
    """The zone of a site file without any description."""
    text = _HALL.sub("  hall:\n    floor: {area_m2: 40}\n", SITE)
    text = text.replace(_LOOP, "  hall-loop: {zone: hall}")
    (folder / "site.yaml").write_text(text)
    site = load_all(folder / "site.yaml").site
    assert site.loops[0].tube_length_m == 200.0  # 40 m2 at 200 mm
    assert site.loops[0].glycol_mass_fraction == 0.0
    return site.zones[0]


def test_an_ordinary_workshop_stands_for_it(bare: Zone) -> None:
    """40 m2 under 3.2 m; what was guessed is named, what has a material's usual value is not."""
    assert bare.volume_m3 == pytest.approx(128.0)
    assert bare.floor.tube_depth_m == pytest.approx(0.075)
    assert {"volume_m3", "envelope", "floor.slab_thickness_mm"} <= set(bare.guessed)
    assert not any("conductivity" in key for key in bare.guessed)


def test_a_detail_left_out_makes_no_rough_description(folder: Path, bare: Zone) -> None:
    """The walls' thickness at the floor hardly counts; volume and envelope do."""
    (folder / "site.yaml").write_text(SITE.replace("      wall_thickness_mm: 240\n", ""))
    zone = load_all(folder / "site.yaml").site.zones[0]
    assert zone.guessed == ("floor.wall_thickness_mm",)
    assert not zone.is_rough
    assert bare.is_rough


def test_what_is_told_is_not_guessed(folder: Path) -> None:
    """A whole description leaves nothing to guess."""
    assert load_all(folder / "site.yaml").site.zones[0].guessed == ()


def test_a_guess_is_believed_less_than_a_description(folder: Path, bare: Zone) -> None:
    """Both priors are wider than those of the same zone, described."""
    (folder / "site.yaml").write_text(SITE)
    described = load_all(folder / "site.yaml").site.zones[0]
    wide, narrow = (
        zone_network_prior(zone, latitude_deg=54.0, metered=True).belief(Kind.TWO_NODE)
        for zone in (bare, described)
    )
    guessed, told = wide.standard_deviations(), narrow.standard_deviations()
    assert guessed["slab_capacity_j_k"] > 1.5 * told["slab_capacity_j_k"]
    assert guessed["room_outdoor_w_k"] > 1.5 * told["room_outdoor_w_k"]
    assert guessed["heat_gain"] == told["heat_gain"]  # the rating, or a meter
    first = [zone_prior(zone, latitude_deg=54.0).log_sd[0] for zone in (bare, described)]
    assert first[0] > 1.5 * first[1]

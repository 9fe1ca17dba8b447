"""Samples that the service did not measure: an owner's earlier log, kept apart by their id.

They are stored like readings, under an id that no sensor of a site file can have (theirs hold no
``@``), so that whoever asks for a sensor's readings never gets an imported one by mistake.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from controller.records.site import OUTDOOR, Role, Sensor, Site

ROLES = (Role.AIR, Role.SLAB, Role.OUTDOOR, Role.IRRADIANCE, Role.POWER)
"""What is imported: the roles that responses are learnt from."""


def imported_id(role: Role, subject: str) -> str:
    """Under which id imported samples of a role are stored: ``air@boat-bay``."""
    return f"{role.value}@{subject}"


def subjects(site: Site, role: Role) -> tuple[str, ...]:
    """What samples of one of ``ROLES`` can belong to: zones, heaters, or the outdoors."""
    if role in (Role.AIR, Role.SLAB):
        return tuple(zone.id for zone in site.zones)
    if role is Role.POWER:
        return tuple(heater.id for heater in site.heaters)
    return (OUTDOOR,)


def with_imported(site: Site) -> Site:
    """The site with a further sensor for all that may have been imported.

    For whoever looks at history. Where nothing was imported such a sensor has no samples, and
    counts as one that was silent.
    """
    return replace(site, sensors=(*site.sensors, *_sensors(site)))


def _sensors(site: Site) -> Iterator[Sensor]:
    for role in ROLES:
        for subject in subjects(site, role):
            yield Sensor(imported_id(role, subject), role, subject, topic="", unit="")

"""What the parts of a site say of each other: one function for each thing that must hold.

Each takes the site as read and notes its problems; no order matters. Where an id is missing or
unfit it is empty here, which is already noted, so such entries are passed over.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from controller.configuration.fields import Fields
from controller.configuration.problems import choices, nearest, shown
from controller.configuration.site import ReadSite
from controller.plant import RELIEF_MARGIN_BAR
from controller.records.limits import Limits
from controller.records.site import (
    FORECAST,
    OUTDOOR,
    OUTDOOR_ROLES,
    PUMP_PROOFS,
    ZONE_ROLES,
    CirculationPump,
    Relay,
    Role,
    Sensor,
)
from controller.units import currency_of

SUPPLY_MARGIN_K = 5.0
"""How far a boiler's own supply thermostat must stay below the hard limit [K]; common practice
for the distance of a supply trip from the design temperature, no source."""

WARM_RISE_BAR = 0.2
"""Room that a loop needs to warm up in [bar]: 20 K at 0.01 bar/K."""

HEATER_ROLES = frozenset({Role.POWER, Role.ENERGY, Role.RELAY_STATE})
"""Roles of what is switched; what is left (supply, return, pressure) a loop may have too."""


def check_site(read: ReadSite, *, folder: Path) -> None:
    """Note everything in which the parts of a site do not fit together."""
    for check in _CHECKS:
        check(read)
    _store_can_be_a_folder(read, folder)


def check_limits_suit(read: ReadSite, limits: Limits) -> None:
    """Note every boiler whose own thermostat would run it into the hard limit of the supply."""
    highest_c = limits.supply_max_c - SUPPLY_MARGIN_K
    for one in read.heaters:
        if one.heater.supply_limit_c > highest_c:
            one.fields.blame(
                "supply_limit_c",
                f"supply_limit_c {one.heater.supply_limit_c:g} is too near to supply_max_c "
                f"{limits.supply_max_c:g}: the boiler would trip the hard limit again and again",
                f"set the boiler's own thermostat to {highest_c:g} or less and say so here",
            )


def unknown_id(what: str, given: str, known: Iterable[str]) -> tuple[str, str]:
    """Words for an id that names nothing: what is wrong, and what would be right."""
    known = list(known)
    close = nearest(given, known)
    right = f"the nearest is {close}" if close else f"there is {choices(known) or 'none'}"
    return f"no {what} is called {shown(given)}", right


def _ids_are_told_apart(read: ReadSite) -> None:
    seen = {OUTDOOR: "the outdoors"}
    named = [
        *((zone.id, "a zone", fields) for zone, fields in read.zones),
        *((one.loop.id, "a loop", one.fields) for one in read.loops),
        *((one.heater.id, "a heater", one.fields) for one in read.heaters),
        *((one.output.id, one.what, one.fields) for one in read.outputs if one.output.id),
    ]
    for given, what, fields in named:
        if given in seen:
            wrong = f"the id {given} of {what} is that of {seen[given]} already"
            fields.blame(None, wrong, "zones, loops, heaters and outputs need ids of their own")
        seen.setdefault(given, what)


def _loops_name_zones(read: ReadSite) -> None:
    zones = [zone.id for zone, _ in read.zones]
    named = {one.loop.zone for one in read.loops}
    for one in read.loops:
        if one.loop.zone and one.loop.zone not in zones:
            one.fields.blame("zone", *unknown_id("zone", one.loop.zone, zones))
    if named - set(zones) or not read.loops:
        return
    for zone, fields in read.zones:
        if zone.id not in named:
            fields.blame(None, f"no loop warms the zone {zone.id}", "describe its loop")


def _loops_are_fed_by_one_heater(read: ReadSite) -> None:
    loops = [one.loop.id for one in read.loops]
    fed: dict[str, str] = {}
    mistyped = False
    for one in read.heaters:
        for loop, spot in one.loops:
            if loop not in loops:
                mistyped = True
                one.fields.blame_at(spot, *unknown_id("loop", loop, loops))
            elif loop in fed:
                wrong = f"the loop {loop} is fed by the heater {fed[loop]} already"
                one.fields.blame_at(spot, wrong, "name each loop once")
            fed.setdefault(loop, one.heater.id)
    if mistyped or not read.heaters:
        return
    for each in read.loops:
        if each.loop.id not in fed:
            wrong = f"no heater feeds the loop {each.loop.id}"
            each.fields.blame(None, wrong, "name it among the loops of a heater")


def _loops_leave_room_below_the_valve(read: ReadSite) -> None:
    for one in read.loops:
        fill_bar, valve_bar = one.loop.cold_fill_bar, one.loop.relief_valve_bar
        highest_bar = valve_bar - RELIEF_MARGIN_BAR - WARM_RISE_BAR
        if fill_bar > highest_bar:
            one.fields.blame(
                "cold_fill_bar",
                f"cold_fill_bar {fill_bar:g} leaves no room below relief_valve_bar {valve_bar:g}",
                f"give at most {highest_bar:.1f}: heat stops {RELIEF_MARGIN_BAR:g} bar below the "
                "valve's setting, and a warm loop stands higher than a cold one",
            )


def _sensors_fit_their_subjects(read: ReadSite) -> None:
    zones = [zone.id for zone, _ in read.zones]
    heaters = [one.heater.id for one in read.heaters]
    loops = [one.loop.id for one in read.loops]
    for one in read.sensors:
        role, subject = one.sensor.role, one.sensor.subject
        if role in OUTDOOR_ROLES:
            what, known = "outdoor place", [OUTDOOR]
        elif role in ZONE_ROLES:
            what, known = "zone", zones
        elif role in HEATER_ROLES:
            what, known = "heater", heaters + _outputs_with(read, role)
        else:
            what, known = "loop or heater", loops + heaters
        if subject not in known:
            wrong, right = unknown_id(what, subject, known)
            one.fields.blame("subject", f"{wrong}, but the role {role.value} belongs to one", right)


def _outputs_with(read: ReadSite, role: Role) -> list[str]:
    """The pumps and valves that may have a sensor of this role."""
    outputs = [one.output for one in read.outputs]
    pumps = [pump.id for pump in outputs if isinstance(pump, CirculationPump)]
    if role is Role.RELAY_STATE:
        return [output.id for output in outputs]
    return pumps if role in PUMP_PROOFS else []


def _zones_have_slab_and_air(read: ReadSite) -> None:
    if not read.complete:
        return
    fitted = {(one.sensor.role, one.sensor.subject) for one in read.sensors}
    known = {zone.id for zone, _ in read.zones}
    if any(role in ZONE_ROLES and subject not in known for role, subject in fitted):
        return  # a mistyped zone is noted; what it was meant for is not missing
    for zone, fields in read.zones:
        for role in (Role.SLAB, Role.AIR):
            if (role, zone.id) not in fitted:
                wrong = f"the zone {zone.id} has no sensor of the role {role.value}"
                fields.blame(None, wrong, "fit one: slab and air are needed in every zone")


def _topics_are_told_apart(read: ReadSite) -> None:
    commands: dict[str, str] = {}
    for one in read.heaters:
        _commands_alone(f"the heater {one.heater.id}", one.heater.relay, one.relay, commands)
    for each in read.outputs:
        output = each.output
        _commands_alone(f"{each.what} {output.id}", output.relay, each.fields, commands)
    reports: dict[str, str] = {}
    for one in read.heaters:
        _reports_alone(f"the heater {one.heater.id}", one.heater.relay, one.relay, reports)
        _is_no_command(one.heater.relay.report_topic or "", one.relay, "report_topic", commands)
    for each in read.outputs:
        output = each.output
        _reports_alone(f"{each.what} {output.id}", output.relay, each.fields, reports)
        _is_no_command(output.relay.report_topic or "", each.fields, "report_topic", commands)
    for sensor in read.sensors:
        _is_no_command(sensor.sensor.topic, sensor.fields, "topic", commands)
    if read.forecast is not None:
        _is_no_command(read.forecast.feed.topic, read.forecast.fields, "topic", commands)


def _commands_alone(what: str, relay: Relay, fields: Fields, commands: dict[str, str]) -> None:
    topic = relay.command_topic
    if topic and topic in commands:
        wrong = f"{commands[topic]} is commanded by {topic} already"
        fields.blame("command_topic", wrong, "give each relay a topic of its own")
    commands.setdefault(topic, what)


def _reports_alone(what: str, relay: Relay, fields: Fields, reports: dict[str, str]) -> None:
    topic = relay.report_topic
    if topic and topic in reports:
        wrong = f"{reports[topic]} is reported on by {topic} already"
        fields.blame("report_topic", wrong, "give each relay a topic of its own")
    reports.setdefault(topic or "", what)


def _is_no_command(topic: str, fields: Fields, key: str, commands: dict[str, str]) -> None:
    if topic and topic in commands:
        wrong = f"{topic} is the command topic of {commands[topic]}"
        fields.blame(key, wrong, "give the topic that is reported on")


def _no_value_is_read_twice(read: ReadSite) -> None:
    seen: dict[tuple[str, str | None], str] = {}
    for one in read.sensors:
        source = (one.sensor.topic, one.sensor.value_pointer)
        if one.sensor.topic and source in seen:
            wrong = f"the sensor {seen[source]} reads this very value already"
            one.fields.blame("topic", wrong, "give each sensor a value of its own")
        seen.setdefault(source, one.sensor.id)


def _added_sensors_have_free_ids(read: ReadSite) -> None:
    own = {one.sensor.id: one for one in read.sensors}
    for added in _added(read):
        if added.id in own:
            own[added.id].fields.blame(
                None,
                f"the id {added.id} is that of the relay's own report",
                "choose another id, or give this sensor the role relay_state",
            )


def _no_sensor_is_the_forecast(read: ReadSite) -> None:
    for one in read.sensors:
        if read.forecast is not None and one.sensor.id == FORECAST:
            wrong = f"the id {FORECAST} is that of the forecast itself"
            one.fields.blame(None, wrong, "choose another id for the sensor")


def _prices_are_in_one_currency(read: ReadSite) -> None:
    first = ""
    for currency, fields in _currencies(read):
        first = first or currency
        if currency and currency != first:
            wrong = f"this price is in {currency}, another one in {first}"
            fields.blame("unit", wrong, "give all prices in one currency: ct and EUR are two")


def _currencies(read: ReadSite) -> Iterator[tuple[str, Fields]]:
    """The currency of everything that tells a price, in the order of the file's sections."""
    for one in read.sensors:
        if one.sensor.role is Role.PRICE:
            yield currency_of(one.sensor.unit), one.fields
    if read.forecast is not None and read.forecast.price is not None:
        units = [value.unit for value in read.forecast.feed.values if value.role is Role.PRICE]
        yield currency_of(units[0]), read.forecast.price
    if read.tariff is not None:
        yield read.tariff.tariff.currency, read.tariff.fields


def _added(read: ReadSite) -> list[Sensor]:
    own = {one.sensor for one in read.sensors}
    return [sensor for sensor in read.site.sensors if sensor not in own]


def _store_can_be_a_folder(read: ReadSite, folder: Path) -> None:
    if not read.site.store:
        return
    place = folder / read.site.store
    if os.path.isfile(place):
        read.fields.blame("store", f"{read.site.store} is a file", "give a folder")
    elif _leads_nowhere(place):
        wrong = f"{read.site.store} is a symbolic link that leads back to itself"
        read.fields.blame("store", wrong, "give a folder")


def _leads_nowhere(place: Path) -> bool:
    try:
        place.stat()
    except OSError as error:
        return error.errno == errno.ELOOP
    return False


_CHECKS: tuple[Callable[[ReadSite], None], ...] = (
    _ids_are_told_apart,
    _loops_name_zones,
    _loops_are_fed_by_one_heater,
    _loops_leave_room_below_the_valve,
    _sensors_fit_their_subjects,
    _zones_have_slab_and_air,
    _topics_are_told_apart,
    _no_value_is_read_twice,
    _added_sensors_have_free_ids,
    _no_sensor_is_the_forecast,
    _prices_are_in_one_currency,
)

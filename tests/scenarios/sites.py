"""What a play's files hold: changes of the shipped example's site, and its bookings."""

from __future__ import annotations

from controller.records.site import Role

Edits = tuple[tuple[str, str, str], ...]

_SITE = "site.yaml"
_PAINT_ROOM = """
  paint-room:
    volume_m3: 80
    floor: {area_m2: 24, slab_thickness_mm: 120, insulation_thickness_mm: 100}
    envelope:
      shell: {area_m2: 80, u_value_w_m2k: 0.4}

loops:
"""
_PAINT_LOOP = """
  paint-loop: {zone: paint-room, tube_length_m: 120, tube_bore_mm: 16, glycol_mass_percent: 30}

heaters:
"""
_PAINT_HEATER = """
  paint-boiler:
    rating_kw: 4
    supply_limit_c: 48
    loops: [paint-loop]
    relay:
      command_topic: tern-quay/paint-boiler/command
      report_topic: tern-quay/paint-boiler/report
      leases: true

sensors:
"""


def _sensor(role: Role, subject: str, unit: str = "°C") -> str:
    name = f"{subject}-{role.value.replace('_', '-')}"
    return (
        f"  {name}: {{role: {role.value}, subject: {subject}, topic: tern-quay/{name}, "
        f"unit: {unit}, value_pointer: /value, time_pointer: /time}}\n"
    )


def with_sensor(role: Role, subject: str, unit: str = "°C") -> Edits:
    """One sensor more, called ``<subject>-<role>``."""
    return ((_SITE, "\nsensors:\n", "\nsensors:\n" + _sensor(role, subject, unit)),)


def _output(word: str, name: str, more: str) -> str:
    topic = f"tern-quay/{name}"
    return (
        f"    {word}: {{id: {name}, command_topic: {topic}/command, report_topic: {topic}/report, "
        f"leases: true, {more}}}\n"
    )


_ROOM: Edits = (
    (_SITE, "\nloops:\n", _PAINT_ROOM),
    (_SITE, "\nheaters:\n", _PAINT_LOOP),
    *with_sensor(Role.SLAB, "paint-room"),
    *with_sensor(Role.AIR, "paint-room"),
)

TWO_ZONES: Edits = (
    *_ROOM,
    (_SITE, "loops: [bay-loop]", "loops: [bay-loop, paint-loop]"),
    (_SITE, "rating_kw: 9", "rating_kw: 13"),
    (_SITE, "subject: bay-loop", "subject: boiler"),
)
"""The boat bay and a paint room with a slab of its own, on one boiler."""

TWO_HEATERS: Edits = (
    *_ROOM,
    (_SITE, "\nsensors:\n", _PAINT_HEATER),
    *with_sensor(Role.SUPPLY, "paint-loop"),
    *with_sensor(Role.RETURN, "paint-loop"),
    *with_sensor(Role.POWER, "paint-boiler", "W"),
)
"""The same two rooms, each with a boiler of its own."""

PRESSURE: Edits = with_sensor(Role.PRESSURE, "bay-loop", "bar")
"""A pressure sensor at the boat bay's loop."""

BAY_VALVE: Edits = (
    (
        _SITE,
        "    tube_length_m: 240",
        _output("zone_valve", "bay-valve", "travel_s: 180, close_after_min: 10")
        + "    tube_length_m: 240",
    ),
)
"""A zone valve at the boat bay's loop."""

PAINT_VALVE: Edits = (
    (
        _SITE,
        "  paint-loop: {zone: paint-room, ",
        "  paint-loop:\n"
        + _output("zone_valve", "paint-valve", "travel_s: 180, close_after_min: 10")
        + "    zone: paint-room\n    tube_length_m: 120\n    tube_bore_mm: 16\n"
        "    glycol_mass_percent: 30\n  # {",
    ),
)
"""One at the paint room's; to be made after ``TWO_ZONES``."""

CIRCULATOR: Edits = (
    (
        _SITE,
        "    supply_limit_c: 48 ",
        _output("circulation_pump", "circulator", "overrun_min: 5, proof_s: 60")
        + "    supply_limit_c: 48 ",
    ),
)
"""A circulation pump, proven by its relay's report alone."""

MEASURED_CIRCULATOR: Edits = (
    (
        _SITE,
        "    supply_limit_c: 48 ",
        _output(
            "circulation_pump", "circulator", "overrun_min: 5, proof_s: 120, proven_above_w: 15"
        )
        + "    supply_limit_c: 48 ",
    ),
    *with_sensor(Role.POWER, "circulator", "W"),
)
"""A circulation pump that its power proves too."""


def bookings_text(booked: tuple[str, ...]) -> str:
    """A bookings file: each entry "date from-to target [zone]"."""
    lines = ["targets: {}", "bookings:"] if booked else ["targets: {}", "bookings: {}"]
    for number, entry in enumerate(booked, 1):
        date, hours, target, *zone = entry.split()
        start, end = hours.split("-")
        more = "".join(f", zone: {z}" for z in zone) + ", overnight: true" * (end <= start)
        lines.append(
            f"  session-{number}: {{title: Work, date: {date}, start: {start}, end: {end}, "
            f"target: {target}{more}}}"
        )
    return "\n".join(lines) + "\n"

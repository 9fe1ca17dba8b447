"""``slabtide check``: every problem and exit code 2, or a summary and 0."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.commands import check

Replace = Callable[[str, str, str], list[tuple[str, int, int]]]


def run(folder: Path, *arguments: str) -> int:
    """Run the command on a folder's site file."""
    parser = argparse.ArgumentParser()
    check.configure(parser)
    return check.run(parser.parse_args(arguments, argparse.Namespace(site=folder / "site.yaml")))


def test_a_sound_configuration_is_summed_up(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is fitted, what is not, and the next three sessions in local time; exit code 0."""
    assert run(folder, "--now", "2026-01-30T12:00Z") == 0
    out = capsys.readouterr().out.splitlines()
    assert out == [
        "site.yaml, limits.yaml, bookings.yaml: no problem found",
        f"site slipway, Europe/Berlin, records in {(folder / '../state').resolve()}",
        "broker localhost:1883, MQTT 5: no TLS, no user",
        "zone hall (hall): 40 m2 of floor, bookings: 2",
        "heater boiler: 6 kW for hall; its relay counts leases",
        "sensor slab: slab of hall [°C]",
        "sensor air: air of hall [°F]",
        "sensor sky: outdoor [°C]",
        "sensor meter: energy of boiler [pulses]",
        "sensor boiler-relay: relay_state of boiler [on/off]",
        "not fitted: floor_surface, supply, return, pressure, power, irradiance, wind, price, "
        "solar_surplus",
        "limits tighter than the default: none",
        "limits looser than the default, within their span: none",
        "session evenings@2026-02-03 (Tue 18:30) to 21:30, 3 h  hall  16 °C",
        "session evenings@2026-02-05 (Thu 18:30) to 21:30, 3 h  hall  16 °C",
        "session open-day@2026-02-07 (Sat 22:00) to Sun 08 Feb 08:00, 10 h  hall  20.5 °C",
    ]


def test_moved_limits_and_a_plain_relay_are_said(
    folder: Path, replace: Replace, capsys: pytest.CaptureFixture[str]
) -> None:
    """Tighter and looser limits are told apart, whichever way a limit tightens."""
    replace("limits", "slab_max_c: 40", "slab_max_c: 43")
    replace("limits", "frost_off_c: 7", "frost_off_c: 8")
    replace("limits", "max_run_h: 12", "max_run_h: 10.5")
    replace("site", "leases: true", "leases: false\n      drop_out_s: 180")
    assert run(folder, "--now", "2036-01-30") == 0
    out = capsys.readouterr().out
    assert "tighter than the default: frost_off_c 8 (default 7), max_run_h 10.5 (default 12)" in out
    assert "looser than the default, within their span: slab_max_c 43 (default 40)" in out
    assert "its relay knows no leases and drops out after 180 s" in out
    assert "no session within a year" in out


def test_forecast_and_tariff_are_said(
    folder: Path, replace: Replace, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is forecast, from where and in which units; the price and how many bands there are."""
    outdoor = "outdoor: {value_pointer: /t, unit: C}, wind: {value_pointer: /w, unit: km/h}"
    forecast = f"forecast: {{topic: slipway/sky, time_pointer: /at, {outdoor}}}"
    tariff = "tariff: {unit: ct/kWh, price: 31, bands: {night: {price: 20, end: 6:00}}}"
    replace("site", "broker: {", f"{forecast}\n{tariff}\nbroker: {{")
    assert run(folder, "--now", "2026-01-30") == 0
    out = capsys.readouterr().out.splitlines()
    assert "forecast from slipway/sky: outdoor [°C], wind [km/h]" in out
    assert "tariff: 31 ct/kWh, bands with a price of their own: 1" in out


def test_problems_go_to_standard_error_one_a_line(
    folder: Path, replace: Replace, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every problem is a line on standard error, nothing is on standard output; exit code 2."""
    replace("limits", "frost_on_c: 5", "frost_on_c: 1")
    replace("bookings", "target: 20.5", "target: 50")
    assert run(folder) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert [line.split(": ")[0] for line in captured.err.splitlines()] == [
        f"{folder / 'limits.yaml'}:5:13",
        f"{folder / 'bookings.yaml'}:20:13",
    ]


def test_an_unreadable_moment_is_bad_input(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A --now that is no time is refused with what would be right; exit code 2."""
    assert run(folder, "--now", "soon") == 2
    assert "'soon' is no time" in capsys.readouterr().err


def test_the_example_shown_in_help_parses() -> None:
    """The line shown as an example is a call of this command."""
    assert check.EXAMPLE.startswith("slabtide check ")
    assert check.SUMMARY

"""What is said to a relay and what it says of itself, as bytes."""

from __future__ import annotations

import json
from dataclasses import FrozenInstanceError, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.records.decision import Command
from controller.records.instant import Instant
from controller.relays.messages import command_payload, encoded, parse_report

ON = Command("boiler", heat=True, sequence=7, issued_s=1_700_000_000.5, lease_s=120.0)
OFF = replace(ON, heat=False, sequence=8)
AT = Instant(0.0, 0.0)


def test_an_on_carries_its_lease():
    """ON says heat, sequence, time of issue and duration, and nothing else without a report."""
    assert json.loads(command_payload(ON)) == {
        "heat": True,
        "seq": 7,
        "issued": 1_700_000_000.5,
        "lease_s": 120.0,
    }


def test_an_on_answers_the_report():
    """Where the relay reports, ON echoes the uptime of its latest report."""
    assert json.loads(command_payload(ON, answers_s=33.25))["answers_s"] == 33.25


def test_an_off_has_no_lease():
    """OFF needs no duration: it lasts."""
    assert json.loads(command_payload(OFF, answers_s=5.0)) == {
        "heat": False,
        "seq": 8,
        "issued": 1_700_000_000.5,
    }


def test_a_report_is_read():
    """A report of the agreed form gives its three values."""
    report = parse_report(b'{"heat": true, "uptime_s": 12, "seq": 3}', AT)
    assert report is not None
    assert (report.heat, report.uptime_s, report.sequence) == (True, 12.0, 3)


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\xff\xfe",
        b"[]",
        b"3",
        b"[" * 900,
        b'{"heat": 1, "uptime_s": 12, "seq": 3}',
        b'{"heat": true, "uptime_s": true, "seq": 3}',
        b'{"heat": true, "uptime_s": -1, "seq": 3}',
        b'{"heat": true, "uptime_s": NaN, "seq": 3}',
        b'{"heat": true, "uptime_s": Infinity, "seq": 3}',
        b'{"heat": true, "uptime_s": 1' + b"0" * 400 + b', "seq": 3}',
        b'{"heat": true, "uptime_s": 12, "seq": 3.5}',
        b'{"heat": true, "uptime_s": 12, "seq": true}',
        b'{"heat": true, "uptime_s": 12}',
        b'{"heat": true, "uptime_s": 12, "seq": 3, "more": "' + b"x" * 1024 + b'"}',
    ],
)
def test_junk_is_no_report(payload):
    """What is not of the agreed form is ignored."""
    assert parse_report(payload, AT) is None


@given(st.binary(max_size=300))
def test_no_payload_makes_report_reading_raise(payload):
    """Any bytes at all are either a report or none."""
    assert parse_report(payload, AT) is None or json.loads(payload)["seq"] is not None


def report_of(uptime_s: object) -> bytes:
    return json.dumps({"heat": True, "uptime_s": uptime_s, "seq": 3}).encode()


@pytest.mark.parametrize("uptime_s", [0, 0.5, 1e10])
def test_every_uptime_that_a_board_can_have_is_read(uptime_s: float) -> None:
    """A board that has just started, and one that has run for centuries, are believed."""
    report = parse_report(report_of(uptime_s), AT)
    assert report is not None
    assert report.uptime_s == uptime_s


def test_an_uptime_beyond_all_sense_is_none() -> None:
    """Beyond 1e10 s, even by one, the report is junk."""
    assert parse_report(report_of(10_000_000_001), AT) is None


def test_a_report_may_have_1024_bytes() -> None:
    """The limit itself is allowed, one byte more is not."""
    payload = report_of(5)
    assert parse_report(payload.ljust(1024), AT) is not None
    assert parse_report(payload.ljust(1025), AT) is None


def test_the_key_is_the_word_that_is_given() -> None:
    """Another word than heat is written and read where it is asked for."""
    assert json.loads(command_payload(OFF, word="run"))["run"] is False
    payload = b'{"run": false, "uptime_s": 12, "seq": 3}'
    assert parse_report(payload, AT) is None
    report = parse_report(payload, AT, word="run")
    assert report is not None
    assert report.heat is False


def test_what_json_does_not_know_is_never_sent() -> None:
    """Not-a-number is an error here, not junk at the relay."""
    assert encoded({"lease_s": 1.5}) == b'{"lease_s":1.5}'
    with pytest.raises(ValueError, match="not JSON compliant"):
        encoded({"lease_s": float("nan")})


def test_a_report_stays_as_it_was_read() -> None:
    """Two threads share it, so nobody writes into it."""
    report = parse_report(report_of(5), AT)
    with pytest.raises(FrozenInstanceError):
        report.heat = False  # type: ignore[union-attr,misc]

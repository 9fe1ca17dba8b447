"""The README tells an owner and a board's author the same as the rules that the stand-in keeps."""

from __future__ import annotations

import json
import re
from pathlib import Path

from controller.records.limits import LEASE_S
from controller.rehearsal import relay_board
from controller.rehearsal.relay_board import LeaseBoard

ROOT = Path(__file__).parents[3]
SECTION = (ROOT / "README.md").read_text().split("### The relay and its lease")[1].split("\n##")[0]
PAYLOADS = dict(re.findall(r"^\| ([^|]+?) \|.*`(\{.*\})`", SECTION, flags=re.MULTILINE))
ON, OFF, WILL, REPORT = (json.loads(text) for text in PAYLOADS.values())


def board_at(uptime_s: float) -> LeaseBoard:
    """A board that has been up for so long at moment 0 and last took sequence 6."""
    board = LeaseBoard(started_mono_s=-uptime_s)
    board.receive(json.dumps({**OFF, "seq": 6, "issued": ON["issued"]}).encode(), 0.0)
    return board


def taken(board: LeaseBoard, fields: dict[str, object]) -> bool:
    return board.receive(json.dumps(fields).encode(), 0.0).accepted


def test_the_four_messages_stand_there() -> None:
    """ON, OFF, will and report, each with an example."""
    assert (ON["heat"], OFF["heat"], WILL["heat"]) == (True, False, False)
    assert list(PAYLOADS)[3] == "the board's report"


def test_the_example_of_an_on_heats_for_its_lease_from_the_report_it_answers() -> None:
    """At the uptime that it answers; 20 s later for 20 s less."""
    for late_s in (0.0, 20.0):
        board = board_at(ON["answers_s"] + late_s)
        assert taken(board, ON)
        left_s = ON["lease_s"] - late_s
        assert (board.heat(left_s - 0.1), board.heat(left_s + 0.1)) == (True, False)


def test_what_the_section_says_is_refused_is_refused() -> None:
    """An old sequence, an earlier time of issue, an answer of long ago or of another power-up."""
    up_s = ON["answers_s"]
    assert not taken(board_at(up_s), {**ON, "seq": 6})
    assert not taken(board_at(up_s), {**ON, "issued": ON["issued"] - 1.0})
    assert not taken(board_at(up_s), {**ON, "lease_s": LEASE_S + 1.0})
    assert not taken(board_at(up_s + LEASE_S + 1.0), ON)
    assert not taken(board_at(up_s - 1.0), ON)
    assert f"never more than {LEASE_S:.0f}" in SECTION


def test_what_the_electrician_reads_has_the_same_numbers() -> None:
    """Lease and span of the drop-out time in ``deploy/RELAYS.md`` are the product's."""
    told = (ROOT / "deploy" / "RELAYS.md").read_text()
    assert f"for `lease_s`, at most {LEASE_S:.0f}" in " ".join(told.split())
    keys = (ROOT / "config" / "README.md").read_text()
    span = re.search(r"^\| `drop_out_s` .*\| (\d+ to \d+) \|$", keys, flags=re.MULTILINE)
    assert span is not None
    assert f"{span[1]} s" in told


def test_every_off_is_obeyed() -> None:
    """That of the example, and the will, which has no sequence."""
    for off in (OFF, WILL):
        board = board_at(ON["answers_s"])
        taken(board, ON)
        assert taken(board, off)
        assert not board.heat(0.0)


def test_the_report_has_the_fields_of_the_example() -> None:
    """No more and no fewer, and the rules at the top of the stand-in name each."""
    assert json.loads(board_at(5.0).report(0.0)).keys() == REPORT.keys()
    rules = relay_board.__doc__ or ""
    assert all(f'"{name}"' in rules or f"``{name}``" in rules for name in {**ON, **REPORT})

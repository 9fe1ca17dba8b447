"""The board's own defence: what it takes, what it refuses, and how long it heats."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.rehearsal.relay_board import LeaseBoard, PlainBoard

BOOT_S = 500.0
LEASE_S = 120.0


def on(seq: int, *, answers_s: float | None, issued: float = 100.0, lease_s: float = LEASE_S):
    fields = {"heat": True, "seq": seq, "issued": issued, "lease_s": lease_s}
    if answers_s is not None:
        fields["answers_s"] = answers_s
    return json.dumps(fields).encode()


def off(seq: int, issued: float = 100.0) -> bytes:
    return json.dumps({"heat": False, "seq": seq, "issued": issued}).encode()


@pytest.fixture
def board() -> LeaseBoard:
    return LeaseBoard(started_mono_s=BOOT_S)


def test_the_contact_is_open_on_power_up(board):
    """No command, no heat."""
    assert not board.heat(BOOT_S)


def test_an_on_heats_for_its_lease_and_no_longer(board):
    """The contact is closed until just before the lease ends, and open from then on."""
    assert board.receive(on(1, answers_s=10.0), BOOT_S + 10.0).accepted
    assert board.heat(BOOT_S + 10.0)
    assert board.heat(BOOT_S + 129.9)
    assert not board.heat(BOOT_S + 130.0)


def test_a_renewal_starts_the_lease_anew(board):
    """Leases do not add up: the new one counts from its own receipt."""
    board.receive(on(1, answers_s=0.0), BOOT_S)
    board.receive(on(2, answers_s=60.0), BOOT_S + 60.0)
    assert board.heat(BOOT_S + 179.9)
    assert not board.heat(BOOT_S + 180.0)


def test_a_replayed_on_is_refused(board):
    """The same ON a second time does not prolong the heat."""
    message = on(1, answers_s=0.0)
    board.receive(message, BOOT_S)
    assert not board.receive(message, BOOT_S + 60.0).accepted
    assert not board.heat(BOOT_S + 120.0)


def test_a_reordered_on_is_refused(board):
    """An ON that an OFF has overtaken warms nobody."""
    board.receive(off(2), BOOT_S)
    assert not board.receive(on(1, answers_s=0.0), BOOT_S + 1.0).accepted
    assert not board.heat(BOOT_S + 1.0)


def test_an_on_issued_before_the_last_command_is_refused(board):
    """A higher sequence does not help a command that was issued earlier."""
    board.receive(off(2, issued=200.0), BOOT_S)
    assert not board.receive(on(3, answers_s=0.0, issued=199.0), BOOT_S).accepted


def test_an_on_that_waited_in_a_frozen_broker_is_refused(board):
    """Sequence and time of issue are new to the board, but it answers a report of long ago."""
    assert not board.receive(on(1, answers_s=10.0), BOOT_S + 10.0 + LEASE_S + 0.1).accepted
    assert not board.heat(BOOT_S + 140.0)


def test_an_on_that_was_held_up_for_less_than_a_lease_has_only_the_rest_of_it(board):
    """The lease counts from the report that it answers: no delay on the way makes heat longer."""
    assert board.receive(on(1, answers_s=10.0), BOOT_S + 10.0 + 90.0).accepted
    assert board.heat(BOOT_S + 10.0 + LEASE_S - 0.1)
    assert not board.heat(BOOT_S + 10.0 + LEASE_S)


def test_an_on_that_answers_a_report_from_before_a_reboot_is_refused(board):
    """An uptime that the board has not reached yet is not its own."""
    assert not board.receive(on(1, answers_s=5000.0), BOOT_S + 20.0).accepted


def test_an_on_without_an_answer_is_refused_where_reports_are_made(board):
    """Without the answer nothing tells how long the ON was on its way."""
    assert not board.receive(on(1, answers_s=None), BOOT_S).accepted


def test_a_board_without_reports_needs_no_answer():
    """Such a board goes by sequence, time of issue and lease alone."""
    board = LeaseBoard(started_mono_s=BOOT_S, reports=False)
    assert board.receive(on(1, answers_s=None), BOOT_S).accepted
    assert board.heat(BOOT_S + LEASE_S - 0.1)
    assert not board.heat(BOOT_S + LEASE_S)


@pytest.mark.parametrize("lease_s", [0.0, -1.0, 120.1, 1e9])
def test_a_lease_beyond_the_agreed_length_is_refused(board, lease_s):
    """A board does not heat for a day because a message says so."""
    assert not board.receive(on(1, answers_s=0.0, lease_s=lease_s), BOOT_S).accepted


@pytest.mark.parametrize(
    ("word", "longest_s"), [("heat", 120.0), ("run", 7200.0), ("open", 7200.0)]
)
def test_the_longest_and_the_shortest_lease(word, longest_s):
    """Both are taken to the last digit: a pump's and a valve's outlast the heat's."""
    leases = ((longest_s, True), (longest_s + 0.1, False), (0.1, True), (0.0, False), (-1.0, False))
    for lease_s, taken in leases:
        board = LeaseBoard(started_mono_s=BOOT_S, reports=False, word=word)
        fields = {word: True, "seq": 1, "issued": 100.0, "lease_s": lease_s}
        assert board.receive(json.dumps(fields).encode(), BOOT_S).accepted is taken


@pytest.mark.parametrize(("ahead_s", "taken"), [(0.0, True), (0.5, False)])
def test_an_answer_from_the_future_is_none(board, ahead_s, taken):
    """Its own time now is the latest that a report can have told."""
    assert board.receive(on(1, answers_s=10.0 + ahead_s), BOOT_S + 10.0).accepted is taken


@pytest.mark.parametrize(("held_up_s", "taken"), [(10.0, True), (LEASE_S, True), (120.1, False)])
def test_however_long_it_has_been_up_it_is_the_delay_that_counts(board, held_up_s, taken):
    """Of a lease at the most; then nothing of it is left."""
    command = on(1, answers_s=1000.0)
    assert board.receive(command, BOOT_S + 1000.0 + held_up_s).accepted is taken
    assert board.heat(BOOT_S + 1000.0 + held_up_s) is (held_up_s < LEASE_S)


def test_the_first_command_may_be_of_any_time():
    """A board goes by what it has heard, not by a calendar."""
    board = LeaseBoard(started_mono_s=BOOT_S, reports=False)
    assert board.receive(on(0, answers_s=None, issued=-5.0), BOOT_S).accepted


def test_it_counts_from_its_own_start():
    """Whenever that was."""
    board = LeaseBoard(started_mono_s=2.0)
    assert json.loads(board.report(13.0))["uptime_s"] == 11.0


def test_a_plain_board_is_open_until_it_is_told():
    """On power-up it heats nothing either."""
    assert not PlainBoard().heat(BOOT_S)
    assert not PlainBoard(drop_out_s=60.0).heat(0.0)


def test_a_board_without_reports_counts_from_now_whatever_is_answered():
    """It has told nobody its time."""
    board = LeaseBoard(started_mono_s=BOOT_S, reports=False)
    board.receive(on(1, answers_s=5.0), BOOT_S + 60.0)
    assert board.heat(BOOT_S + 60.0 + LEASE_S - 0.1)


def test_before_the_first_command_it_reports_minus_one(board):
    """No command has that number."""
    assert json.loads(board.report(BOOT_S + 3.0)) == {"heat": False, "uptime_s": 3.0, "seq": -1}


@pytest.mark.parametrize(
    "message",
    [b'{"heat": false}', b'{"heat": false, "seq": "x", "issued": null}', off(0), off(-5, 0.0)],
)
def test_off_is_always_obeyed(board, message):
    """The will, an old OFF and an OFF with odd fields open the contact all the same."""
    board.receive(on(9, answers_s=0.0), BOOT_S)
    assert board.receive(message, BOOT_S + 1.0).accepted
    assert not board.heat(BOOT_S + 1.0)


@pytest.mark.parametrize(
    "junk",
    [
        b"",
        b"ON",
        b"\xff",
        b"true",
        b"[" * 5000,
        b'{"heat": 1}',
        b'{"heat": "true"}',
        b'{"heat": true}',
        b'{"heat": true, "seq": true, "issued": 1, "lease_s": 60, "answers_s": 0}',
        b'{"heat": true, "seq": 9.0, "issued": 1, "lease_s": 60, "answers_s": 0}',
        b'{"heat": true, "seq": 9, "issued": NaN, "lease_s": 60, "answers_s": 0}',
        b'{"heat": true, "seq": 9, "issued": 1e9, "lease_s": Infinity, "answers_s": 0}',
        b'{"heat": true, "seq": 9, "issued": 1' + b"0" * 400 + b', "lease_s": 60, "answers_s": 0}',
    ],
)
def test_junk_changes_nothing(board, junk):
    """It neither opens nor closes the contact."""
    assert not board.receive(junk, BOOT_S).accepted
    assert not board.heat(BOOT_S)
    board.receive(on(1, answers_s=0.0), BOOT_S)
    assert not board.receive(junk, BOOT_S).accepted
    assert board.heat(BOOT_S)


def test_a_report_tells_contact_uptime_and_last_command(board):
    """The report is the board's own view, on its own clock."""
    board.receive(on(4, answers_s=0.0), BOOT_S + 2.0)
    assert json.loads(board.report(BOOT_S + 3.0)) == {"heat": True, "uptime_s": 3.0, "seq": 4}
    assert not json.loads(board.report(BOOT_S + 2.0 + LEASE_S))["heat"]


_MESSAGES = st.one_of(
    st.builds(
        on,
        st.integers(0, 30),
        answers_s=st.floats(0.0, 2000.0),
        issued=st.floats(0.0, 200.0),
        lease_s=st.floats(-10.0, 200.0),
    ),
    st.builds(off, st.integers(0, 30), st.floats(0.0, 200.0)),
    st.binary(max_size=40),
)


@given(st.lists(st.tuples(_MESSAGES, st.floats(0.0, 150.0)), max_size=40))
def test_heat_never_outlasts_the_last_accepted_lease(history):
    """Whatever arrives, heat ends at most a lease after the last ON that was taken."""
    board, now_s, taken_s = LeaseBoard(started_mono_s=0.0), 0.0, None
    for message, pause_s in history:
        receipt = board.receive(message, now_s)
        if receipt.accepted and json.loads(message)["heat"]:
            taken_s = now_s
        now_s += pause_s
        if board.heat(now_s):
            assert taken_s is not None
            assert now_s - taken_s < LEASE_S


@given(st.lists(st.integers(0, 12), min_size=1, max_size=40))
def test_every_command_is_taken_at_most_once(order):
    """However commands are replayed and reordered, the sequences taken only rise."""
    board = LeaseBoard(started_mono_s=0.0)
    taken = [seq for seq in order if board.receive(on(seq, answers_s=0.0), 1.0).accepted]
    assert taken == sorted(set(taken))
    assert taken[0] == order[0]


def test_a_plain_relay_obeys_the_last_command():
    """Without leases and without a timer, heat lasts until somebody says OFF."""
    board = PlainBoard()
    board.receive(on(2, answers_s=None), 0.0)
    board.receive(on(1, answers_s=None), 1.0)
    assert board.heat(1e6)
    board.receive(b'{"heat": false}', 1e6)
    assert not board.heat(1e6)


def test_a_hard_wired_timer_drops_a_plain_relay_out():
    """The timer counts from the last ON."""
    board = PlainBoard(drop_out_s=300.0)
    board.receive(on(1, answers_s=None), 0.0)
    board.receive(on(2, answers_s=None), 100.0)
    assert board.heat(399.0)
    assert not board.heat(400.0)
    assert not board.receive(b"junk", 400.0).accepted

"""Messages between two ticks: bounded room, shared so that no topic crowds out another."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.records.instant import Instant
from controller.sensors import holding
from controller.sensors.decode import Message
from controller.sensors.holding import Holding

TICK_S = 10
FLOODED = "shed/flooded"
QUIET = tuple(f"shed/quiet-{number}" for number in range(20))


def message(topic: str, sequence: int, payload: bytes = b"18.5") -> Message:
    at = Instant(1_700_000_000.0 + sequence / 1000, sequence / 1000)
    return Message(topic, payload, False, at, sequence)


def put_all(held: Holding, messages: list[Message]) -> None:
    for one in messages:
        held.put(one)


def test_what_fits_comes_out_whole_and_in_the_order_of_arrival() -> None:
    """Topics are put aside apart from one another; the tick sees them as they came."""
    held = Holding(("a", "b"))
    messages = [message(topic, number) for number, topic in enumerate("abbaabab")]
    put_all(held, messages)
    assert held.take() == messages
    assert held.take() == []
    assert (held.lost, held.take_lost()) == (0, {})


def test_one_flooded_topic_costs_the_others_nothing() -> None:
    """10,000 a second on one topic for a tick; twenty sensors that say something each second."""
    held = Holding((FLOODED, *QUIET))
    sequence = 0
    for _second in range(TICK_S):
        for topic in QUIET:
            held.put(message(topic, sequence := sequence + 1))
        for _ in range(10_000):
            held.put(message(FLOODED, sequence := sequence + 1))
    taken = held.take()
    by_topic = Counter(one.topic for one in taken)
    assert all(by_topic[topic] == TICK_S for topic in QUIET)
    assert len(taken) == holding.HELD_MESSAGES
    assert taken[-1].sequence == sequence  # the newest of the flood is there
    assert held.take_lost() == {FLOODED: TICK_S * 10_000 - by_topic[FLOODED]}
    assert held.take_lost() == {}


def test_a_flood_on_every_topic_leaves_each_its_newest() -> None:
    """Room is shared equally: each topic keeps its latest messages."""
    held = Holding(QUIET)
    put_all(held, [message(QUIET[n % len(QUIET)], n) for n in range(50_000)])
    by_topic = Counter(one.topic for one in held.take())
    assert set(by_topic.values()) == {holding.HELD_MESSAGES // len(QUIET)}


def test_a_backlog_of_a_day_is_kept_whole_while_there_is_room() -> None:
    """A sensor that was cut off sends what it has kept: the record wants every reading."""
    held = Holding((FLOODED, *QUIET))
    backlog = [message(FLOODED, n) for n in range(1440)]
    put_all(held, backlog)
    assert held.take() == backlog


def test_large_messages_cost_their_own_topic() -> None:
    """Room is bounded by size, too: the topic with the most of it gives up its oldest."""
    held = Holding((FLOODED, *QUIET))
    for number in range(100):
        held.put(message(QUIET[number % 20], 2 * number))
        held.put(message(FLOODED, 2 * number + 1, b"x" * 256 * 1024))
    by_topic = Counter(one.topic for one in held.take())
    assert all(by_topic[topic] == 5 for topic in QUIET)
    assert by_topic[FLOODED] == 31  # and a little room for the others' 400 bytes


@given(
    sent=st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 40)), max_size=200),
    room=st.integers(3, 30),
    room_bytes=st.integers(200, 500),
)
def test_whatever_comes_nothing_is_lost_in_silence(
    sent: list[tuple[str, int]], room: int, room_bytes: int
) -> None:
    """Bounds hold at every moment, taken and lost add up, and each topic's newest is there."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(holding, "HELD_MESSAGES", room)
        patch.setattr(holding, "HELD_BYTES", room_bytes)
        held = Holding("abc")
        messages = [message(topic, n, b"x" * size) for n, (topic, size) in enumerate(sent)]
        put_all(held, messages)
        taken, lost = held.take(), held.take_lost()
    assert len(taken) <= room
    assert sum(len(one.payload) for one in taken) <= room_bytes
    for topic in "abc":
        own = [one for one in messages if one.topic == topic]
        kept = [one for one in taken if one.topic == topic]
        assert kept == own[len(own) - len(kept) :]
        assert lost.get(topic, 0) == len(own) - len(kept)
        assert kept or not own
    assert sum(lost.values()) == held.lost

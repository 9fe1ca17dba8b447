"""Messages put aside between two ticks, within bounds, so that no topic crowds out another.

Where there is no room left, the topic that holds the most gives up its oldest message. So one
topic may use what the others leave (a sensor that was cut off sends hours of readings at once),
a flood costs the flooding topic alone, and the newest of a topic, by which control goes, is the
last that it loses. What is given up is counted by topic: it is never lost in silence.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from operator import attrgetter

from controller.sensors.decode import Message

HELD_MESSAGES = 5000
"""Most messages kept between two ticks; a workshop's sensors send some tens."""
HELD_BYTES = 8 * 1024 * 1024
"""Most payload kept between two ticks: a flood must not fill the memory of a small server."""


class _Topic:
    """The messages of one topic, oldest first."""

    __slots__ = ("count", "lost", "messages", "size_bytes")

    def __init__(self) -> None:
        self.messages: deque[Message] = deque()
        self.count = self.size_bytes = self.lost = 0

    def put(self, message: Message) -> None:
        self.messages.append(message)
        self.count += 1
        self.size_bytes += len(message.payload)

    def give_up_oldest(self) -> int:
        """Lose one; its payload's size [bytes]."""
        size_bytes = len(self.messages.popleft().payload)
        self.count -= 1
        self.size_bytes -= size_bytes
        self.lost += 1
        return size_bytes

    def take(self) -> deque[Message]:
        taken, self.messages = self.messages, deque()
        self.count = self.size_bytes = 0
        return taken


_by_count: Callable[[_Topic], int] = attrgetter("count")
_by_size: Callable[[_Topic], int] = attrgetter("size_bytes")


class Holding:
    """Bounded room for the messages of known topics. Not for several threads at once.

    Parameters
    ----------
    topics : iterable of str
        All that messages may have.
    """

    def __init__(self, topics: Iterable[str]) -> None:
        self._topics = {topic: _Topic() for topic in topics}
        self._count = self._size_bytes = 0
        self.lost = 0
        """Messages given up since the start."""

    def put(self, message: Message) -> None:
        """Keep a message, giving up others where there is no room left."""
        self._topics[message.topic].put(message)
        self._count += 1
        self._size_bytes += len(message.payload)
        while self._count > HELD_MESSAGES:
            self._give_up(_by_count)
        while self._size_bytes > HELD_BYTES:
            self._give_up(_by_size)

    def take(self) -> list[Message]:
        """Take all messages out, in the order of their arrival."""
        taken = [message for topic in self._topics.values() for message in topic.take()]
        self._count = self._size_bytes = 0
        return sorted(taken, key=attrgetter("sequence"))

    def take_lost(self) -> dict[str, int]:
        """How many messages each topic has lost since the last call, without those at nought."""
        lost = {name: topic.lost for name, topic in self._topics.items() if topic.lost}
        for name in lost:
            self._topics[name].lost = 0
        return lost

    def _give_up(self, most: Callable[[_Topic], int]) -> None:
        """Lose the oldest message of the topic that holds the most."""
        self._size_bytes -= max(self._topics.values(), key=most).give_up_oldest()
        self._count -= 1
        self.lost += 1

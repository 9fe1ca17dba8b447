"""The example's access list, by what Mosquitto does: each topic has the writers it should have."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from controller.configuration import load_all
from controller.records.site import Site

EXAMPLES = Path(__file__).parents[2] / "config"
GUARD, BOARD = "guard", "relay-board"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The example's site with the forecast that it shows as a comment."""
    folder = tmp_path_factory.mktemp("site")
    for name in ("site.yaml", "limits.yaml", "bookings.yaml"):
        text = (EXAMPLES / name).read_text(encoding="utf-8")
        text = re.sub(r"^# (forecast:|tariff:|  )", r"\1", text, flags=re.MULTILINE)
        (folder / name).write_text(text, encoding="utf-8")
    return load_all(folder / "site.yaml").site


def users_of(folder: Path) -> list[str]:
    return sorted(line.partition(":")[0] for line in (folder / "passwords").read_text().split())


def test_only_the_guard_writes_to_a_heater_and_devices_only_their_own(guarded, device, site):
    """Command topics: the guard alone. Every other topic: one device, and it is not the guard."""
    commands = {heater.relay.command_topic for heater in site.heaters}
    reports = {heater.relay.report_topic for heater in site.heaters}
    topics = commands | site.topics
    assert reports <= site.topics
    assert site.forecast.topic in topics
    writers: dict[str, set[str]] = {topic: set() for topic in topics}
    for user in users_of(guarded.folder):
        one = device(user)
        for topic in topics:
            if one.say(topic, b"{}"):
                writers[topic].add(user)
        assert not one.say("tern-quay/elsewhere", b"{}")
        assert not one.say("$SYS/broker/clients/total", b"{}")
        one.end()
    for topic in topics:
        expected = GUARD if topic in commands else BOARD if topic in reports else None
        assert len(writers[topic]) == 1, (topic, writers[topic])
        assert writers[topic] == {expected} if expected else GUARD not in writers[topic]
    assert sum(BOARD in users for users in writers.values()) == len(reports)


def test_commands_are_heard_by_the_board_and_readings_by_the_guard(
    guarded, device, site, eventually
):
    """Nothing but what was said by who may say it arrives, and only where it should."""
    commands = {heater.relay.command_topic for heater in site.heaters}
    topics = frozenset(commands | site.topics)
    users = users_of(guarded.folder)
    listeners = {user: device(user, topics) for user in users}
    expected = {user: set() for user in users}
    for user, speaker in listeners.items():
        for topic in sorted(topics):
            if speaker.say(topic, user.encode()):
                hearer = BOARD if topic in commands else GUARD
                expected[hearer].add((topic, user.encode()))
    assert len(expected[GUARD]) == len(site.topics)
    for user in (BOARD, GUARD):
        eventually(lambda user=user: set(listeners[user].heard) >= expected[user])
    assert {user: set(one.heard) for user, one in listeners.items()} == expected

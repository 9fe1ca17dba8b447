"""The example's access list, by what Mosquitto does: each topic has the writers it should have."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.configuration import load_all
from controller.records.site import Site
from tests.whole_example import uncommented

EXAMPLES = Path(__file__).parents[2] / "config"
GUARD = "guard"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The example's site with all that it shows as comments: forecast, pump and valve."""
    folder = tmp_path_factory.mktemp("site")
    for name in ("site.yaml", "limits.yaml", "bookings.yaml"):
        text = (EXAMPLES / name).read_text(encoding="utf-8")
        (folder / name).write_text(uncommented(text), encoding="utf-8")
    return load_all(folder / "site.yaml").site


@pytest.fixture(scope="module")
def report_of(site: Site) -> dict[str, str]:
    """Each command topic, and where the board that obeys it says what it does."""
    [heater] = site.heaters
    relays = [heater.relay, *(output.relay for output in site.outputs_of(heater))]
    assert len(relays) == 3
    return {relay.command_topic: relay.report_topic for relay in relays}


def users_of(folder: Path) -> list[str]:
    return sorted(line.partition(":")[0] for line in (folder / "passwords").read_text().split())


def test_only_the_guard_commands_and_devices_say_only_their_own(guarded, device, site, report_of):
    """Command topics: the guard alone. Every other topic: one device, and it is not the guard."""
    topics = set(report_of) | site.topics
    assert set(report_of.values()) | {site.forecast.topic} <= site.topics
    writers: dict[str, set[str]] = {topic: set() for topic in topics}
    for user in users_of(guarded.folder):
        one = device(user)
        for topic in topics:
            if one.say(topic, b"{}"):
                writers[topic].add(user)
        assert not one.say("tern-quay/elsewhere", b"{}")
        assert not one.say("$SYS/broker/clients/total", b"{}")
        one.end()
    for topic, users in writers.items():
        assert len(users) == 1, (topic, users)
        assert (users == {GUARD}) == (topic in report_of), (topic, users)
    boards = {min(writers[report]) for report in report_of.values()}
    assert len(boards) == len(report_of)
    said_by_boards = {topic for topic, users in writers.items() if users & boards}
    assert said_by_boards == set(report_of.values())


def test_commands_are_heard_by_their_board_and_readings_by_the_guard(
    guarded, device, site, report_of, eventually
):
    """Nothing but what was said by who may say it arrives, and only where it should."""
    topics = frozenset(set(report_of) | site.topics)
    listeners = {user: device(user, topics) for user in users_of(guarded.folder)}
    said: dict[str, str] = {}
    for user, speaker in listeners.items():
        said |= {topic: user for topic in sorted(topics) if speaker.say(topic, user.encode())}
    expected: dict[str, set[tuple[str, bytes]]] = {user: set() for user in listeners}
    for topic, user in said.items():
        hearer = said[report_of[topic]] if topic in report_of else GUARD
        expected[hearer].add((topic, user.encode()))
    assert len(expected[GUARD]) == len(site.topics)
    for user, wanted in expected.items():
        eventually(lambda user=user, wanted=wanted: set(listeners[user].heard) >= wanted)
    # what is not awaited would have been on its way before the last that was
    assert {user: set(one.heard) for user, one in listeners.items()} == expected

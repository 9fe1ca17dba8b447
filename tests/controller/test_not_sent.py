"""Heat that is asked for while no relay can hear it: on record as what it is, and not charged."""

import pytest

from controller.alarms import alarms
from controller.interlocks import frost_protection
from controller.records.safety import Severity
from controller.records.site import Role
from tests.controller.builders import MILD, Script, lost, outdoor, reasons
from tests.controller.interlocks.test_frost_protection import spent_s
from tests.controller.test_supervisor import COLD, Day

BLIND = (lost(Role.SLAB), lost(Role.AIR), outdoor(-8.0))
UNSEEN = {"minute_s": 0.0, "unseen_s": 600.0}
"""Nothing spent, and a room that has been unknown for as long as a reading may be old."""


def test_what_cannot_be_sent_is_no_command() -> None:
    """With the broker away frost protection asks and nobody hears: the record says so."""
    day = Day()
    assert day.tick(*COLD).heat is True
    ruling = day.tick(*COLD, relay_reachable=False)
    assert ruling.heat is False
    assert ruling.deciding is not None
    assert (ruling.deciding.rule, ruling.deciding.reason) == ("relay_reachable", "not_sent")
    assert ruling.deciding in ruling.verdicts
    assert [v.rule for v in ruling.verdicts if v.reason == "not_sent"] == ["relay_reachable"]
    assert len(ruling.verdicts) == len({v.rule for v in ruling.verdicts})
    assert {v.severity for v in ruling.verdicts if v.rule == "frost_protection"} == {Severity.FROST}
    (told,) = alarms(ruling.verdicts)
    assert told.alarm
    assert day.tick(*COLD).heat is True


def test_without_frost_an_absent_broker_is_no_alarm() -> None:
    """Nothing is wanted: it is away and no more."""
    ruling = Day().tick(*MILD, relay_reachable=False)
    assert reasons(ruling.verdicts)["relay_reachable"] == "away"
    assert alarms(ruling.verdicts) == ()


@pytest.mark.parametrize(("holds_s", "charged_s"), [(120.0, 120.0), (300.0, 300.0)])
def test_what_is_not_sent_is_not_charged(holds_s: float, charged_s: float) -> None:
    """Blind heat that cannot be sent costs what the last ON still holds, and no more."""
    script = Script(frost_protection, UNSEEN)
    assert script.run(100.0, *BLIND, heating=True).reason == "blind"
    before_s = spent_s(script)
    for age_s in range(10, 2000, 10):
        away = {"heating": False, "command_age_s": float(age_s), "relay_holds_s": holds_s}
        assert script.tick(*BLIND, relay_reachable=False, **away).reason == "blind"
    assert spent_s(script) - before_s == charged_s

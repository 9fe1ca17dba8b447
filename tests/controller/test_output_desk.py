"""Pump and valves are told on the right side of the heat."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.output_desk import OutputDesk
from controller.records.decision import Command, Decision
from tests.controller.outputs.shop import VALVE, Shop, make_loop


class Ear:
    def __init__(self, heard: list[tuple[str, bool]], *, takes: bool = True) -> None:
        self.heard, self.takes = heard, takes
        self.connected = self.reachable = True
        self.taken_over = False

    def send(self, command: Command) -> bool:
        self.heard.append((command.heater, command.heat))
        return self.takes


@pytest.fixture
def heating() -> Decision:
    return Shop(loops=(make_loop(VALVE),)).until_heat()


@pytest.fixture
def heard() -> list[tuple[str, bool]]:
    return []


def test_pump_and_valve_before_heat_and_after_it(heating: Decision, heard) -> None:
    """ON: outputs, then the heater. OFF: the heater, then the outputs."""
    desk = OutputDesk({"pump": Ear(heard), "valve": Ear(heard)})
    desk.send(heating, Ear(heard), row_due=True)
    assert heard[-1] == ("boiler", True)
    assert set(heard[:-1]) == {("pump", True), ("valve", True)}
    heard.clear()
    off = replace(heating, command=replace(heating.command, heat=False))
    desk.send(off, Ear(heard), row_due=True)
    assert heard[0] == ("boiler", False)


def test_an_on_is_renewed_at_each_tick_and_an_off_with_each_row(heating: Decision, heard) -> None:
    """Nothing is repeated that lasts by itself."""
    desk = OutputDesk({"pump": Ear(heard), "valve": Ear(heard)})
    told = tuple(replace(one, on=one.output == "pump") for one in heating.outputs)
    off = replace(heating, command=replace(heating.command, heat=False), outputs=told)
    desk.send(off, Ear(heard), row_due=False)
    assert heard == [("pump", True)]


def test_an_output_that_did_not_take_its_command_is_not_reachable(heating: Decision, heard) -> None:
    """A board that has made no report yet takes no ON: its time must not run; others' does."""
    pump = Ear(heard, takes=False)
    desk = OutputDesk({"pump": pump, "valve": Ear(heard)})
    assert desk.deaf == frozenset()
    desk.send(heating, Ear(heard), row_due=False)
    assert desk.deaf == {"pump"}
    pump.takes = True
    desk.send(heating, Ear(heard), row_due=False)
    assert desk.deaf == frozenset()
    pump.connected = False
    assert desk.deaf == {"pump"}
    pump.taken_over = True
    assert desk.taken_over


def test_no_heat_is_sent_where_an_output_breaks(heating: Decision, heard) -> None:
    """The heater comes last, so that it hears nothing then."""

    class Broken(Ear):
        def send(self, command: Command) -> bool:
            raise OSError("no such wire")

    desk = OutputDesk({"pump": Broken(heard), "valve": Ear(heard)})
    with pytest.raises(OSError, match="wire"):
        desk.send(heating, Ear(heard), row_due=True)
    assert ("boiler", True) not in heard

"""Which valves open for a plan that gives heat to some zones only, and when the others close."""

from __future__ import annotations

from controller.outputs import Account, Fitted, Steps, sequence
from controller.records.limits import TICK_S
from controller.records.outputs import OutputReason
from controller.records.readings import Sensed
from controller.records.safety import Clears, Severity, Verdict
from controller.records.site import Loop, Role, ZoneValve
from controller.supervisor import Ruling
from tests.controller.builders import make_heater, sensed
from tests.controller.outputs.shop import CLOSE_AFTER_S, TRAVEL_S, output_relay

BAY = ZoneValve("bay-valve", output_relay("bay-valve", "open"), TRAVEL_S, CLOSE_AFTER_S)
LOFT = ZoneValve("loft-valve", output_relay("loft-valve", "open"), TRAVEL_S, CLOSE_AFTER_S)
BAY_ALONE = frozenset({"bay"})


def loop(zone: str, valve: ZoneValve | None) -> Loop:
    return Loop(f"{zone}-loop", zone, 100.0, 0.016, 0.3, valve)


class Sequence:
    """Tick after tick of a heater with two zones, its valves obeying but for ``jammed``."""

    def __init__(
        self, bay: ZoneValve | None = BAY, loft: ZoneValve | None = LOFT, *, tells: bool = True
    ) -> None:
        self.loops = (loop("bay", bay), loop("loft", loft))
        self.tells, self.jammed = tells, ""
        self.heating, self.memory = False, Account().remembered()
        self.last: Steps | None = None

    def tick(
        self,
        *,
        wanted: bool,
        gives: frozenset[str] | None,
        frost: bool = False,
        needy: frozenset[str] | None = None,
    ) -> Steps:
        fitted = Fitted(make_heater(), self.loops, self._reports())
        account = Account.at(fitted, self.memory, elapsed_s=TICK_S, heating=self.heating)
        severity = Severity.FROST if frost else Severity.ALLOW
        verdict = Verdict("frost_protection", severity, "cold", Clears.WHEN_CLEAR)
        ruling = Ruling(wanted or frost, (verdict,), None, frozenset(), {})
        steps = sequence(
            fitted, account, ruling,
            wanted=wanted, heating=self.heating, gives=gives, needy=needy,
        )  # fmt: skip
        self.heating = ruling.heat and steps.waiting is None
        self.memory, self.last = steps.account.remembered(), steps
        if self.heating:
            assert self.has_way, "heat with every valve shut"
        return steps

    def run(
        self,
        seconds: float,
        *,
        wanted: bool,
        gives: frozenset[str] | None,
        frost: bool = False,
        needy: frozenset[str] | None = None,
    ) -> set[str]:
        """The valves that are told to be open at the end."""
        for _ in range(round(seconds / TICK_S)):
            self.tick(wanted=wanted, gives=gives, frost=frost, needy=needy)
        return self.open

    @property
    def open(self) -> set[str]:
        told = self.last.told if self.last else {}
        return {name for name, (on, _) in told.items() if on}

    @property
    def has_way(self) -> bool:
        return any(x.valve is None or x.valve.id in self.open for x in self.loops)

    def _reports(self) -> tuple[Sensed, ...]:
        names = [x.valve.id for x in self.loops if x.valve is not None] if self.tells else []
        return tuple(
            sensed(Role.RELAY_STATE, float(n in self.open and n != self.jammed), subject=n)
            for n in names
        )


def settled(**fitted: ZoneValve | None) -> Sequence:
    """What may be owed from before the start is over, and both valves are shut."""
    shop = Sequence(**fitted)
    shop.run(CLOSE_AFTER_S + 2 * TICK_S, wanted=False, gives=None)
    return shop


def test_only_the_valves_of_zones_that_are_given_heat_open() -> None:
    """The other one stays shut for the whole time, and the overrun is the first one's alone."""
    shop = settled()
    assert shop.open == set()
    assert shop.run(TRAVEL_S, wanted=True, gives=BAY_ALONE) == {"bay-valve"}
    assert not shop.heating
    assert shop.run(600.0, wanted=True, gives=BAY_ALONE) == {"bay-valve"}
    assert shop.heating
    assert shop.run(CLOSE_AFTER_S - TICK_S, wanted=False, gives=BAY_ALONE) == {"bay-valve"}
    assert shop.run(3 * TICK_S, wanted=False, gives=BAY_ALONE) == set()


def test_without_a_plan_all_open() -> None:
    """The lower rungs do not say whose heat it is."""
    assert settled().run(TRAVEL_S, wanted=True, gives=None) == {"bay-valve", "loft-valve"}


FROST = {"wanted": False, "gives": None, "frost": True, "needy": BAY_ALONE}


def test_frost_heat_leaves_warm_zones_shut() -> None:
    """It must not drive another floor into its limit."""
    shop = settled()
    assert shop.run(TRAVEL_S + TICK_S, **FROST) == {"bay-valve"}
    assert shop.heating


def test_frost_heat_shuts_a_zone_once_the_cold_one_is_open() -> None:
    """From heat for the loft to frost in the bay: never with every valve shut."""
    shop = settled()
    shop.run(600.0, wanted=True, gives=frozenset({"loft"}))
    assert shop.run(TRAVEL_S, **FROST) == {"bay-valve", "loft-valve"}
    assert shop.run(3 * TICK_S, **FROST) == {"bay-valve"}
    assert shop.heating


def test_frost_heat_waits_for_the_cold_zones_own_valve_and_says_so() -> None:
    """Heat into a floor that is warm helps nobody, and somebody must look at the valve."""
    shop = settled()
    shop.jammed = "bay-valve"
    shop.run(600.0, wanted=True, gives=frozenset({"loft"}))
    assert shop.heating
    shop.run(TRAVEL_S + 2 * TICK_S, **FROST)
    assert shop.last is not None
    assert (shop.heating, shop.last.late) == (False, False)
    shop.run(120.0, **FROST)
    assert (shop.heating, shop.last.late) == (False, True)


def test_one_of_two_valves_that_frost_heat_needs_is_told_of() -> None:
    """The other zone is heated, this one is not."""
    shop = settled()
    shop.jammed = "loft-valve"
    shop.run(TRAVEL_S + 2 * TICK_S, **{**FROST, "needy": None})
    assert shop.last is not None
    assert (shop.heating, shop.last.late) == (True, False)
    shop.run(90.0, **{**FROST, "needy": None})
    assert (shop.heating, shop.last.late) == (True, True)
    shop.run(120.0, wanted=True, gives=None)
    assert not shop.last.late, "planned heat is told of as heat that is not taken"


def test_frost_protection_opens_all_that_may_freeze() -> None:
    """Whatever the plan gives to."""
    shop = settled()
    shop.run(600.0, wanted=True, gives=BAY_ALONE)
    assert shop.run(TICK_S, wanted=True, gives=BAY_ALONE, frost=True) == {"bay-valve", "loft-valve"}
    assert shop.heating


def test_a_change_of_plan_under_heat_never_leaves_it_without_a_way() -> None:
    """From the bay to the loft: the bay's valve stays open until the loft's has had its travel."""
    shop = settled()
    shop.run(600.0, wanted=True, gives=BAY_ALONE)
    loft = frozenset({"loft"})
    assert shop.run(TRAVEL_S, wanted=True, gives=loft) == {"bay-valve", "loft-valve"}
    assert shop.heating
    assert shop.run(2 * TICK_S, wanted=True, gives=loft) == {"loft-valve"}
    assert shop.heating


def test_a_valve_that_does_not_open_keeps_the_other_one() -> None:
    """The loft's is reported shut: the bay's goes on carrying the heat."""
    shop = settled()
    shop.run(600.0, wanted=True, gives=BAY_ALONE)
    shop.jammed = "loft-valve"
    shop.run(1800.0, wanted=True, gives=frozenset({"loft"}))
    assert shop.open == {"bay-valve", "loft-valve"}
    assert shop.heating


def test_a_valve_that_does_not_tell_how_it_stands_is_never_left_shut() -> None:
    """Fits could not know where the heat went."""
    shop = Sequence(tells=False)
    shop.run(CLOSE_AFTER_S + 2 * TICK_S, wanted=False, gives=None)
    assert shop.run(TRAVEL_S, wanted=True, gives=BAY_ALONE) == {"bay-valve", "loft-valve"}


def test_a_plan_for_a_zone_without_a_valve_opens_no_other() -> None:
    """Its loop is always open."""
    shop = settled(bay=None)
    assert shop.run(600.0, wanted=True, gives=BAY_ALONE) == set()
    assert shop.heating


def test_a_plan_that_gives_to_nobody_here_opens_all() -> None:
    """Nonsense must not shut every way."""
    shop = settled()
    assert shop.run(TRAVEL_S, wanted=True, gives=frozenset({"x"})) == {"bay-valve", "loft-valve"}


def test_what_was_open_before_a_restart_is_not_known() -> None:
    """A new process opens all for the overrun that it may owe."""
    shop = Sequence()
    assert shop.run(TICK_S, wanted=False, gives=BAY_ALONE) == {"bay-valve", "loft-valve"}
    assert shop.last is not None
    assert shop.last.told["loft-valve"] == (True, OutputReason.OVERRUN)


def test_a_zone_behind_a_shut_valve_is_known_to_the_rules() -> None:
    """No heat goes into its floor, so that nothing there must move."""
    shop = settled()
    shop.run(600.0, wanted=True, gives=BAY_ALONE)
    fitted = Fitted(make_heater(), shop.loops)
    account = Account.at(
        Fitted(make_heater(), shop.loops), shop.memory, elapsed_s=TICK_S, heating=True
    )
    assert account.shut_zones(fitted) == {"loft"}

"""The in-memory history answers as the store does."""

import numpy as np

from controller.planning.history import Source
from controller.records.plan import Arrival, Plan, ZoneOutlook
from controller.rehearsal.memory import Memory


def source(memory: Memory) -> Source:
    """The type checker's proof that memory is a source."""
    return memory


def test_samples_are_thinned_to_one_a_minute() -> None:
    """Of readings every 10 s the first of each minute is kept, within [since, until)."""
    memory = Memory()
    for tick in range(61):
        memory.add_sample("air", at_s=1000.0 + 10.0 * tick, value=float(tick))
    kept = source(memory).samples("air", 1060.0, 1240.0)
    assert np.array_equal(kept, [(1060.0, 6.0), (1120.0, 12.0), (1180.0, 18.0)])
    assert len(memory.samples("slab", 0.0, 1e9)) == 0


def test_commands_come_with_the_one_in_force() -> None:
    """Changes alone are kept; the one in force at the start of the span comes first."""
    memory = Memory()
    for at_s, heat in ((0.0, False), (10.0, False), (20.0, True), (30.0, True), (40.0, False)):
        memory.add_command("boiler", at_s=at_s, heat=heat)
    assert memory.heating("boiler", 0.0, 100.0) == [(0.0, False), (20.0, True), (40.0, False)]
    assert memory.heating("boiler", 25.0, 40.0) == [(20.0, True)]
    assert memory.heating("boiler", 20.0, 21.0) == [(20.0, True)]
    assert memory.heating("other", 0.0, 100.0) == []


def test_promises_are_told_as_they_stood() -> None:
    """The last plan made by a moment counts; before the first there is none."""
    memory = Memory()
    for made_s, air_c in ((100.0, 18.0), (200.0, 19.0)):
        arrival = Arrival("talk", 19.0, air_c, air_c - 1.0, air_c + 1.0, reachable=True)
        outlook = ZoneOutlook("bay", "day-one", (), (arrival,))
        memory.add_plan(Plan("p", "boiler", made_s, 1e4, (), (outlook,)))
    told = [source(memory).promised("boiler", "talk", at_s) for at_s in (99.0, 100.0, 250.0)]
    assert [None if a is None else a.air_c for a in told] == [None, 18.0, 19.0]
    assert memory.promised("boiler", "other", 250.0) is None

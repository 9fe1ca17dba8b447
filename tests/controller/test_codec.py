"""Records to plain JSON and back: nothing lost, nothing let in that does not fit."""

from __future__ import annotations

import dataclasses
import importlib
import json
import math
import pkgutil
import types
import typing
from typing import Any, Union

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import controller.records
from controller.codec import from_plain, to_plain
from controller.records.decision import Decision, HeaterState, Notice, NoticeKind, Wish
from controller.records.errands import LearnAnswer, LearnErrand, PlanAnswer, PlanErrand
from controller.records.limits import Limits
from controller.records.plan import BlockReason, ParameterSet, Plan, Rung, Value
from controller.records.readings import Condition, Reading, Sensed
from controller.records.safety import Severity, Verdict
from controller.records.site import Role, Site
from tests.controller.builders import make_parameters, make_plan, make_session, make_site


def every_record() -> list[type]:
    """Each dataclass of the records package."""
    found = []
    for module in pkgutil.iter_modules(controller.records.__path__):
        names = vars(importlib.import_module(f"controller.records.{module.name}"))
        found += [
            item
            for item in names.values()
            if isinstance(item, type)
            and dataclasses.is_dataclass(item)
            and item.__module__.endswith(f".{module.name}")
        ]
    return found


def anything(hint: Any) -> st.SearchStrategy[Any]:
    """Values of a type hint as the records use them; no nan, which equals nothing."""
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (Union, types.UnionType):
        return st.none() | anything(inner[0])
    if origin in (tuple, frozenset):
        return st.lists(anything(inner[0]), max_size=2).map(origin)
    if origin is not None:
        return st.dictionaries(st.text(max_size=4), anything(inner[1]), max_size=2)
    if dataclasses.is_dataclass(hint):
        hints = typing.get_type_hints(hint)
        return st.builds(hint, **{name: anything(kind) for name, kind in hints.items()})
    if hint is float:
        return st.floats(allow_nan=False)
    return st.text(max_size=8) if hint is str else st.from_type(hint)


@pytest.mark.parametrize("kind", every_record(), ids=lambda kind: kind.__name__)
def test_every_record_survives_the_way_there_and_back(kind: type) -> None:
    """Any record, turned to JSON text and back, equals itself."""

    @given(anything(kind))
    @settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck))
    def holds(record: Any) -> None:
        text = json.dumps(to_plain(record))
        assert from_plain(kind, json.loads(text)) == record

    holds()


@pytest.mark.parametrize(
    "record",
    [
        PlanErrand(
            make_site(), Limits(), "boiler", (make_session(),), (make_parameters(),), True, 1.5
        ),
        LearnErrand(make_site(), (make_parameters(),), 1.5),
        PlanAnswer(make_plan(sessions=(make_session(),))),
    ],
)
def test_real_errands_survive(record: Any) -> None:
    """What the guard and its planner say to each other comes through whole."""
    text = json.dumps(to_plain(record), allow_nan=False)
    assert from_plain(type(record), json.loads(text)) == record


def test_enums_and_whole_numbers() -> None:
    """Codes are stored by value, severities as numbers, and a whole number may be a float."""
    wish = Wish(True, Rung.PROGRAMME, BlockReason.PREHEAT, "s", None)
    assert to_plain(wish) == {
        "heat": True, "rung": "programme", "reason": "preheat", "session": "s", "plan": None,
    }  # fmt: skip
    assert to_plain(Verdict("r", Severity.TRIP, "x"))["severity"] == 5
    value = from_plain(Value, {"value": 3, "sd": 0})
    assert (value, type(value.value)) == (Value(3.0, 0.0), float)


def test_left_out_fields_take_their_defaults() -> None:
    """A row of an older version lacks newer fields: they get their defaults."""
    assert from_plain(HeaterState, {"sequence": 4}) == HeaterState(sequence=4)


def test_infinity_survives_as_python_writes_it() -> None:
    """A lead time without end is stored and read back as one."""
    value = from_plain(Value, json.loads(json.dumps(to_plain(Value(math.inf, 0.0)))))
    assert value.value == math.inf


SENSED = {
    "sensor": "bay-air",
    "role": "air",
    "subject": "bay",
    "condition": "fresh",
    "value": 14.0,
    "age_s": 5.0,
}


def test_the_example_that_the_wrong_ones_are_made_of_is_right() -> None:
    """Each case below differs from this good one in one thing."""
    assert from_plain(Sensed, SENSED) == Sensed(
        "bay-air", Role.AIR, "bay", Condition.FRESH, 14.0, 5.0
    )


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"colour": "red"}, "no field colour"),
        ({"role": "smell"}, "smell"),
        ({"role": 3}, "3"),
        ({"role": ["air"]}, "air"),
        ({"sensor": 3}, "expected str"),
        ({"sensor": None}, "expected str"),
        ({"value": "14"}, "expected float"),
        ({"value": True}, "expected float"),
        ({"value": [14.0]}, "expected float"),
        ({"value": {}}, "expected float"),
        ({"value": 10**400}, "too large"),
    ],
)
def test_a_wrong_field_is_refused(change: dict[str, Any], complaint: str) -> None:
    """An unknown field, or one of the wrong kind, is a ValueError that names it."""
    with pytest.raises(ValueError, match=complaint):
        from_plain(Sensed, {**SENSED, **change})


@pytest.mark.parametrize("name", ["sensor", "role", "subject", "condition"])
def test_a_missing_field_is_refused(name: str) -> None:
    """A field without a default must be there."""
    with pytest.raises(ValueError, match=name):
        from_plain(Sensed, {key: value for key, value in SENSED.items() if key != name})


@pytest.mark.parametrize("data", [None, 3, "x", [], [1], True])
@pytest.mark.parametrize("kind", [Sensed, Plan, Site, Decision, LearnAnswer])
def test_something_else_in_place_of_a_record_is_refused(kind: type, data: object) -> None:
    """What is no object is no record."""
    with pytest.raises(ValueError, match="expected the fields"):
        from_plain(kind, data)


@pytest.mark.parametrize(
    ("kind", "name", "wrong"),
    [
        (Plan, "blocks", {}),
        (Plan, "blocks", "ab"),
        (Plan, "blocks", [3]),
        (Plan, "made_s", None),
        (ParameterSet, "values", [1]),
        (ParameterSet, "values", {"gain_k_per_w": 1.0}),
        (HeaterState, "latched", "abc"),
        (HeaterState, "sequence", True),
        (HeaterState, "sequence", 1.0),
        (HeaterState, "heating", 1),
        (HeaterState, "memories", {"rule": {"spent_s": "much"}}),
        (Notice, "kind", "rumour"),
    ],
)
def test_wrong_containers_are_refused(kind: type, name: str, wrong: object) -> None:
    """Lists, mappings and numbers are not taken for one another."""
    right: dict[type, Any] = {
        Plan: make_plan(),
        ParameterSet: make_parameters(),
        HeaterState: HeaterState(),
        Notice: Notice(NoticeKind.STARTED, "Started."),
    }
    data = json.loads(json.dumps(to_plain(right[kind])))
    assert from_plain(kind, data) == right[kind]
    with pytest.raises(ValueError, match=r"expected|valid"):
        from_plain(kind, {**data, name: wrong})


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=4),
        lambda inner: (
            st.lists(inner, max_size=4)
            | st.dictionaries(st.sampled_from(["plan", "id", "blocks", "x"]), inner, max_size=4)
        ),
        max_leaves=12,
    )
)
@settings(deadline=None)
def test_any_json_gives_a_record_or_a_value_error(data: object) -> None:
    """Whatever a child or a damaged row says, the answer is a record or a ValueError."""
    for kind in (PlanAnswer, LearnAnswer, HeaterState, Reading):
        try:
            record = from_plain(kind, data)
        except ValueError:
            continue
        assert isinstance(record, kind)


def test_half_a_surrogate_pair_is_no_text() -> None:
    """JSON can write it, UTF-8 and the store cannot: refused where it comes in."""
    with pytest.raises(ValueError, match="surrogates"):
        from_plain(str, "half \ud800")
    assert from_plain(str, "whole 💧 °C") == "whole 💧 °C"

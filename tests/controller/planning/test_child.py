"""The planner child as the guard starts it: JSON in, JSON out, from a real store."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from controller.codec import from_plain, to_plain
from controller.planning.planner import make_plan
from controller.records.errands import LearnAnswer, LearnErrand, PlanAnswer
from controller.records.readings import Reading
from controller.records.site import Role
from controller.store import open_reader, open_writer

ROLES = {"outdoor": Role.OUTDOOR, "bench-air": Role.AIR, "bench-slab": Role.SLAB}


@pytest.fixture
def stored(workshop, tmp_path):
    """A day of readings in a store, and the workshop that they came from."""
    shop = workshop(seed=1)
    shop.idle(24)
    writer = open_writer(tmp_path)
    for sensor, (times, values) in shop.source.readings.items():
        readings = [
            Reading(sensor, ROLES[sensor], "bench", value, at_s, at_s, at_s, k)
            for k, (at_s, value) in enumerate(zip(times, values, strict=True))
        ]
        writer.add_readings(readings)
    writer.close()
    return shop, tmp_path


def _child(folder, request, guard_pid=None):
    guard = str(guard_pid or os.getpid())
    command = [sys.executable, "-m", "controller.planning.child", str(folder), guard]
    text = request if isinstance(request, str) else json.dumps(request)
    return subprocess.run(command, input=text, capture_output=True, text=True, timeout=60)


def test_a_plan_comes_back_as_made_in_this_process(stored, session):
    """The same errand and store: the child's plan equals ours."""
    shop, folder = stored
    errand = shop.errand((session(60, 64),))
    done = _child(folder, {"errand": "plan", "body": to_plain(errand)})
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["answer"] == "plan"
    reader = open_reader(folder)
    assert from_plain(PlanAnswer, answer["body"]).plan == make_plan(errand, reader)
    reader.close()


def test_learning_comes_back(stored):
    """A day is too little to learn from, and the answer says so."""
    shop, folder = stored
    errand = LearnErrand(shop.site, (), shop.now_s)
    done = _child(folder, {"errand": "learn", "body": to_plain(errand)})
    assert done.returncode == 0, done.stderr
    learnt = from_plain(LearnAnswer, json.loads(done.stdout)["body"]).learnt
    assert [one.parameter_set.id for one in learnt] == ["bench-day-one"]


@pytest.mark.parametrize(
    ("request_text", "said"),
    [
        ("not JSON", "JSONDecodeError"),
        ('{"errand": "dance", "body": {}}', "dance"),
        ('{"errand": "plan", "body": {}}', "PlanErrand"),
        ("[]", "TypeError"),
    ],
)
def test_nonsense_ends_in_one_line_and_a_code(stored, request_text, said):
    """The guard gets a reason, no traceback and no answer."""
    done = _child(stored[1], request_text)
    assert done.returncode == 1
    assert done.stdout == ""
    assert said in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_missing_store_is_a_reason_too(tmp_path, workshop):
    """Before the service ever ran there is nothing to plan from."""
    errand = workshop().errand(())
    done = _child(tmp_path / "nowhere", {"errand": "plan", "body": to_plain(errand)})
    assert done.returncode == 1
    assert "StoreMissing" in done.stderr


def test_a_plan_needs_no_learning_library():
    """scikit-learn takes seconds to load: planning must not import it."""
    code = "import controller.planning.planner, sys; sys.exit('sklearn' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], timeout=60).returncode == 0


def test_without_its_guard_it_does_nothing(stored, session):
    """A guard that was gone before the child had begun is noticed too."""
    shop, folder = stored
    errand = shop.errand((session(60, 64),))
    done = _child(folder, {"errand": "plan", "body": to_plain(errand)}, guard_pid=os.getppid())
    assert (done.returncode, done.stdout) == (1, "")
    assert "has ended" in done.stderr

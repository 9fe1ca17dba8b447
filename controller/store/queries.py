"""Questions that both sides of the store ask.

What came last is told by the rows' order: by time, whatever was made while the wall clock was ahead
would come before all that is made for years.
"""

from __future__ import annotations

import sqlite3

from controller.records.plan import ParameterSet, Plan
from controller.store import rows


def latest_plan(connection: sqlite3.Connection, heater: str) -> Plan | None:
    """The plan made last for a heater."""
    row = connection.execute(
        "SELECT plan, points FROM plan "
        "WHERE rowid = (SELECT max(rowid) FROM plan WHERE heater = ?)",
        (heater,),
    ).fetchone()
    return None if row is None else rows.plan_from(*row)


def latest_parameters(connection: sqlite3.Connection, zone: str) -> ParameterSet | None:
    """The parameters of a zone made last."""
    row = connection.execute(
        "SELECT parameter_set FROM parameter_set "
        "WHERE rowid = (SELECT max(rowid) FROM parameter_set WHERE zone = ?)",
        (zone,),
    ).fetchone()
    return None if row is None else rows.from_json(ParameterSet, row[0])

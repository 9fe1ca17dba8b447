"""Old forecasts are made fewer: a talkative publisher fills neither disk nor planner's time."""

from __future__ import annotations

import sqlite3

from controller.store import rows

KEPT_S = 90 * 86_400.0
"""How long forecasts are kept [s]: a winter of them tells how far they can be trusted."""
THINNED_S = 86_400.0
"""Age from which one forecast in each ``APART_S`` is enough [s]."""
APART_S = 3 * 3600.0
DROPPED_AT_ONCE = 2
"""How many old rows may go for a new one: none piles up, and a wall clock that is ahead by years
costs few before it is put right."""


def drop_old_forecasts(connection: sqlite3.Connection, *, received_s: float) -> None:
    """Thin and drop what was received long before this moment [UTC s]."""
    connection.execute(
        "DELETE FROM forecast WHERE id IN (SELECT id FROM forecast "
        "WHERE received_ms < ? OR received_ms < ? AND id NOT IN "
        "(SELECT min(id) FROM forecast GROUP BY received_ms / ?) ORDER BY id LIMIT ?)",
        (
            rows.to_ms(received_s - KEPT_S),
            rows.to_ms(received_s - THINNED_S),
            rows.to_ms(APART_S),
            DROPPED_AT_ONCE,
        ),
    )

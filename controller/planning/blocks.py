"""Blocks of a timetable: on-times cut at sessions and slots, each piece with its reason."""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from controller.planning.history import FloatArray, Grid
from controller.records.plan import Block, BlockReason
from controller.records.sessions import Session

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Need:
    """Why a zone wants heat: its share of each slot in all, and for the frost floor alone.

    ``duty`` and ``frost_duty`` have shape (slots,) and lie in 0..1. ``warmed``: it got heat in
    the last hours, and not for its frost floor.
    """

    zone: str
    duty: FloatArray
    frost_duty: FloatArray
    warmed: bool


def label(
    on: Sequence[Interval],
    needs: Sequence[Need],
    sessions: Sequence[Session],
    grid: Grid,
    *,
    from_s: float,
) -> tuple[Block, ...]:
    """Cut the time from ``from_s`` to the grid's end into blocks of one command and reason.

    Parameters
    ----------
    on : sequence of (start_s, end_s)
        On-times, ascending, apart from each other (UTC seconds).
    needs : sequence of Need
        One for each zone of the heater; the neediest zone of a slot gives its heat the reason.
    sessions : sequence of Session
        Of these zones.
    grid : Grid
        The slots of ``needs``.

    Returns
    -------
    tuple of Block
        An off block between heat for a session is a pause of PREHEAT before its start and of
        HOLD inside it. After the last heat it is COAST_UP before the start, RUN_OUT inside. IDLE
        blocks name the next session.
    """
    pieces = _pieces(on, sessions, grid, from_s)
    blocks = [_heated(piece, needs, sessions, grid) for piece in pieces]
    warmed = _warmed_for(needs, sessions, from_s)
    for session in sorted(sessions, key=lambda s: -s.start_s):  # the nearest has the last word
        blocks = _claim_before(session, blocks, warmed=session.id in warmed)
    for session in sorted(sessions, key=lambda s: s.target_c):  # and then the warmest
        blocks = _claim_inside(session, blocks)
    return tuple(_aimed(block, sessions) for block in _merged(blocks))


def _pieces(
    on: Sequence[Interval], sessions: Sequence[Session], grid: Grid, from_s: float
) -> Iterable[tuple[float, float, bool]]:
    """(start, end, heat) between all moments at which command or reason may change."""
    cuts = {from_s, *grid.edges_s().tolist()}
    cuts |= {edge for interval in on for edge in interval}
    cuts |= {s.start_s for s in sessions} | {s.end_s for s in sessions}
    inside = sorted(c for c in cuts if from_s <= c <= grid.end_s)
    starts_s = [start_s for start_s, _ in on]
    for start_s, end_s in itertools.pairwise(inside):
        latest = bisect.bisect_right(starts_s, start_s) - 1
        yield start_s, end_s, latest >= 0 and start_s < on[latest][1]


def _heated(
    piece: tuple[float, float, bool],
    needs: Sequence[Need],
    sessions: Sequence[Session],
    grid: Grid,
) -> Block:
    """The block of one piece; off pieces are IDLE until a session claims them."""
    start_s, end_s, heat = piece
    if not heat:
        return Block(start_s, end_s, False, BlockReason.IDLE)
    need, slot = _driver(needs, int((start_s - grid.start_s) // grid.step_s))
    own = [s for s in sessions if s.zone == need.zone and s.end_s > start_s]
    running = [s for s in own if s.start_s <= start_s]
    if running:
        warmest = max(running, key=lambda s: s.target_c)
        return Block(start_s, end_s, True, BlockReason.HOLD, warmest.id)
    for_frost = need.frost_duty[slot] > 0.0
    if not own or (for_frost and need.duty[slot] <= need.frost_duty[slot] + _SAME_DUTY):
        return Block(start_s, end_s, True, BlockReason.FROST_FLOOR)
    coming = min(own, key=lambda s: s.start_s)
    return Block(start_s, end_s, True, BlockReason.PREHEAT, coming.id)


_SAME_DUTY = 0.02
"""Duties that differ by less than this are the same [-]."""


def _driver(needs: Sequence[Need], slot: int) -> tuple[Need, int]:
    """The zone that wants most heat in a slot, or next after it.

    An on-time may reach into a slot that wants none, where the least on-time stretches it: it
    then belongs to the latest slot before that wanted some.
    """
    for k in range(slot, -1, -1):
        neediest = max(needs, key=lambda need: float(need.duty[k]))
        if neediest.duty[k] > 0.0:
            return neediest, k
    return needs[0], slot


def _warmed_for(needs: Sequence[Need], sessions: Sequence[Session], from_s: float) -> set[str]:
    """The sessions that are next in a zone which was heated of late."""
    found = set()
    for need in needs:
        own = [s for s in sessions if s.zone == need.zone]
        first = min(own, key=lambda s: s.start_s, default=None)
        if need.warmed and first is not None and first.start_s > from_s:
            found.add(first.id)
    return found


def _claim_before(session: Session, blocks: list[Block], *, warmed: bool) -> list[Block]:
    """Give the off pieces between the first heat for a session and its start to it.

    Where the zone was heated of late and no heat is left to come, or soon, that first heat lies
    behind us.
    """
    from_s = blocks[0].start_s
    own = (BlockReason.PREHEAT, session.id)
    heats_s = [b.start_s for b in blocks if (b.reason, b.session) == own]
    begun_s = min(heats_s, default=from_s if warmed else session.start_s)
    if warmed and begun_s < from_s + _PAUSE_S:
        begun_s = from_s
    span = _Span(begun_s, session.start_s, max(heats_s, default=from_s))
    return [
        _claimed(block, session, span, BlockReason.PREHEAT, BlockReason.COAST_UP)
        for block in blocks
    ]


_PAUSE_S = 2 * 3600.0
"""A pause in preheat is no longer than this [s]."""


def _claim_inside(session: Session, blocks: list[Block]) -> list[Block]:
    """Give the off pieces inside a session to it: pauses up to its last heat, then run-out."""
    heats_s = [b.start_s for b in blocks if b.heat and b.start_s < session.end_s]
    span = _Span(session.start_s, session.end_s, max(heats_s, default=session.start_s))
    return [
        _claimed(block, session, span, BlockReason.HOLD, BlockReason.RUN_OUT) for block in blocks
    ]


@dataclass(frozen=True, slots=True)
class _Span:
    """From when to when off pieces belong to a session, and when its last heat begins."""

    start_s: float
    end_s: float
    last_heat_s: float


def _claimed(
    block: Block, session: Session, span: _Span, pause: BlockReason, after: BlockReason
) -> Block:
    if block.heat or not span.start_s <= block.start_s < span.end_s:
        return block
    reason = pause if block.start_s < span.last_heat_s else after
    return replace(block, reason=reason, session=session.id)


def _aimed(block: Block, sessions: Sequence[Session]) -> Block:
    """An IDLE block with the session that comes next."""
    if block.reason is not BlockReason.IDLE:
        return block
    coming = [s for s in sessions if s.start_s >= block.end_s]
    first = min(coming, key=lambda s: s.start_s, default=None)
    return replace(block, session=first.id if first else None)


def _merged(blocks: Sequence[Block]) -> tuple[Block, ...]:
    merged: list[Block] = []
    for block in blocks:
        last = merged[-1] if merged else None
        if last is not None and _alike(last, block):
            merged[-1] = replace(last, end_s=block.end_s)
        else:
            merged.append(block)
    return tuple(merged)


def _alike(one: Block, other: Block) -> bool:
    return (one.heat, one.reason, one.session) == (other.heat, other.reason, other.session)

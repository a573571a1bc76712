"""Undo and redo acts: rows in one transaction, cuts by measuring again, files by verified moves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from catalog.errors import StoreError
from catalog.library.files.set_aside import (
    hide_hits,
    restore_hits,
    set_aside_hits,
    unhide_hits,
)
from catalog.library.metadata.damping import mentions_damping
from catalog.library.store.acts.log import FILE, HIDDEN, Change
from catalog.library.store.acts.recording import HIT
from catalog.library.store.store import Store
from catalog.library.strokes.damping_vote import refresh_dampings
from catalog.library.strokes.represent import CHOSEN
from catalog.library.strokes.store_ties import tie_stored_strokes
from catalog.library.takes.overrides import FileOverride, override_from_row, read_override
from catalog.library.takes.regions import apply_override
from catalog.library.undo.rows import ChangedSinceError, write_rows
from catalog.models import State
from catalog.reports import Act, HistoryEvent

UNDONE, REDONE = "undone", "done again"  # reasons in the history
CUT = "file_said"  # part: the regions and the mix of a file
OTHER_STEPS = (FILE, HIDDEN, CUT)  # parts that are more than a row to write


@dataclass(frozen=True)
class UndoResult:
    """What an undo or a redo changed, and what it could not change."""

    events: tuple[HistoryEvent, ...]  # none for a hit that already was in its earlier state
    left: tuple[tuple[int, str], ...]  # ids of hits that could not be brought back, and why
    acts: tuple[Act, ...] = ()  # that were undone, or done again
    hit_ids: tuple[int, ...] = ()  # of all hits that changed


def undo_acts(store: Store, acts: Sequence[Act], *, back: bool = True) -> UndoResult:
    """Undo acts (`back`), or do them again.

    All rows are written, or none. Files are moved one by one: each hit returns to its state before
    the earliest of the acts, whatever was done later; one whose path another file has taken is left
    as it is and reported. An act with such a hit can be undone again.

    Raise `StoreError` if a row was changed after its act, or a record of an act is damaged.
    """
    ordered = sorted(acts, key=lambda act: act.id, reverse=back)
    changes = {act.id: store.acts.changes(act.id) for act in ordered}
    flat = [change for act in ordered for change in _in_order(changes[act.id], back=back)]
    with store.database.recording.paused():
        for change in flat:
            if change.part == CUT:
                _check_cut(store, change, back=back)
        _write_all_rows(store, ordered, changes, back=back)
        for change in flat:
            if change.part == CUT:
                _write_cut(store, change, back=back)
        events, left = _move_all(store, flat, back=back)
        if any(change.key == (CHOSEN,) for change in flat):
            tie_stored_strokes(store, always=True)
        refresh_dampings(store, [change.key[0] for change in flat if _changes_damping(change)])
    stuck = {hit_id for hit_id, _ in left}
    done = [act for act in ordered if not stuck & {change.key[0] for change in changes[act.id]}]
    with store.writing(changes_hits=False) as db:
        for act in done:
            if any(change.part in OTHER_STEPS for change in changes[act.id]):
                store.acts.set_undone(db, act.id, undone=back)
    ids = {change.key[0] for change in flat if change.part in (HIT, FILE, HIDDEN)}
    return UndoResult(tuple(events), tuple(left), tuple(done), tuple(sorted(ids - stuck)))


def _changes_damping(change: Change) -> bool:
    if change.part != HIT or change.before is None or change.after is None:
        return False
    tags = [str(values.get("tags", "")) for values in (change.before, change.after)]
    return "names" in change.before or mentions_damping(tags)


def _in_order(changes: Sequence[Change], *, back: bool) -> list[Change]:
    return list(reversed(changes)) if back else list(changes)


def _write_all_rows(
    store: Store, acts: Sequence[Act], changes: dict[int, list[Change]], *, back: bool
) -> None:
    """Write the rows of all acts, and record those acts as undone that changed nothing else."""
    word = "undone" if back else "done again"
    with store.writing() as db:
        for act in acts:
            rows = [change for change in changes[act.id] if change.part not in OTHER_STEPS]
            try:
                write_rows(db, rows, back=back)
            except ChangedSinceError as err:
                text = f"{act.verb} ({act.summary}) cannot be {word}: {err}"
                raise StoreError(f"{text}; nothing was changed") from err
            if len(rows) == len(changes[act.id]):  # else once its files are moved
                store.acts.set_undone(db, act.id, undone=back)


def _override(change: Change, *, before: bool) -> FileOverride:
    row = change.before if before else change.after
    values = (row["cut"], row["mix"]) if row else (None, None)
    return override_from_row(str(change.key[0]), *values)


def _check_cut(store: Store, change: Change, *, back: bool) -> None:
    override = _override(change, before=not back)
    if read_override(store, override.content_hash) not in (
        override,
        _override(change, before=back),
    ):
        raise StoreError("the cut or the mix of the file was changed since; nothing was changed")


def _write_cut(store: Store, change: Change, *, back: bool) -> None:
    override = _override(change, before=back)
    if read_override(store, override.content_hash) != override:
        apply_override(store, override)


def _move_all(
    store: Store, changes: Sequence[Change], *, back: bool
) -> tuple[list[HistoryEvent], list[tuple[int, str]]]:
    """Bring files and hidden hits to the state before or after the acts; return what was left."""
    events: list[HistoryEvent] = []
    left: list[tuple[int, str]] = []
    targets = list(_targets(changes, back=back))
    step = store.history.new_step() if targets else 0
    for hit_id, part, state in targets:
        try:
            events += _apply(store, hit_id, part, state, step=step, back=back)
        except StoreError as err:
            left.append((hit_id, str(err)))
    return events, left


def _targets(changes: Sequence[Change], *, back: bool) -> Iterator[tuple[int, str, str]]:
    """Yield each hit with the part and the state to bring it to, files first."""
    for part in (FILE, HIDDEN):
        states = {}
        for change in changes:
            if change.part == part:
                values = (change.before if back else change.after) or {}
                states[change.key[0]] = str(values["state"])  # the last in order counts
        yield from ((hit_id, part, state) for hit_id, state in sorted(states.items()))


def _apply(
    store: Store, hit_id: int, part: str, state: str, *, step: int, back: bool
) -> list[HistoryEvent]:
    """Bring one hit to a state; may be a no-op."""
    now, reason = store.hits.get(hit_id).state, UNDONE if back else REDONE
    if part == FILE and (now == State.ASIDE) != (state == State.ASIDE):
        if state == State.ASIDE:
            return set_aside_hits(store, [hit_id], reason=reason, step=step, whole_files=True)
        return restore_hits(store, [hit_id], step=step)
    if part == HIDDEN and now != State.ASIDE and (now == State.HIDDEN) != (state == State.HIDDEN):
        if state == State.HIDDEN:
            return hide_hits(store, [hit_id], reason=reason, step=step)
        return unhide_hits(store, [hit_id], step=step)
    return []

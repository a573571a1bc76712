"""The journal of file moves: a move that was interrupted is completed or reverted later.

A journal row is written before a file moves, and is deleted in the transaction that changes the
hit's state. The file is moved inside that second transaction, so no other process can take a move
in progress for an interrupted one; a process that dies releases the lock by itself.
"""

from __future__ import annotations

import logging
import os
import sqlite3
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from catalog.errors import StoreError
from catalog.library.backup.backup_files import clear_unfinished
from catalog.library.backup.lost_store import check_nothing_lost, is_empty
from catalog.library.files.aside_journal import (
    BEGUN,
    DONE,
    AsideEntry,
    append_done,
    append_entry,
    check_no_files_aside,
)
from catalog.library.files.home_volumes import write_home_volume
from catalog.library.files.leftovers import clear_listed_leftovers
from catalog.library.files.moves import complete_move, move_file, remove_if_empty
from catalog.library.scan.successors import complete_hand_overs
from catalog.library.store.acts.log import FILE
from catalog.library.store.database import insert, path_from_db, path_to_db, update_hit
from catalog.library.store.records.files import NO_TIME_NS
from catalog.library.store.store import Store
from catalog.models import Action, State
from catalog.reports import HistoryEvent

CONTENT_HASH = "SELECT content_hash FROM hit WHERE id = ?"
WARNINGS = "move_warnings"  # setting
MAX_WARNINGS = 50
logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class FileMove:
    """The move of one hit's file between its home and the folder of files set aside."""

    action: Action  # `SET_ASIDE` or `RESTORE`
    hit_id: int
    home: Path  # where the file was found
    aside: str  # path below the folder of files set aside
    content_hash: str
    reason: str
    step: int  # the number of the act
    recorded: bool = True  # the act can be undone; False for the moves of an undo

    def source_and_target(self, store: Store) -> tuple[Path, Path]:
        """Return the paths that the file moves from and to."""
        aside = store.aside_folder / self.aside
        return (self.home, aside) if self.action == Action.SET_ASIDE else (aside, self.home)

    def entry(self, phase: str, file: Path) -> AsideEntry:
        """Return the line of the journal in the folder; size and time are those of `file`."""
        stat = file.stat()
        return AsideEntry(
            self.action, phase, self.hit_id, self.home, self.aside, self.content_hash, self.reason,
            stat.st_size, stat.st_mtime_ns,
        )  # fmt: skip


def carry_out_moves(store: Store, moves: Sequence[FileMove]) -> list[HistoryEvent]:
    """Move files one by one; record each in the history and return its event.

    Raise `StoreError` if a move fails; the moves before it stay made.
    """
    recover_moves(store)
    events: list[HistoryEvent] = []
    for move in moves:
        try:
            events.append(_carry_out(store, move))
        except OSError as err:
            _revert(store, move, err)
            source, _ = move.source_and_target(store)
            raise StoreError(
                f"{source}: cannot be moved ({err.strerror or err}); {len(events)} of {len(moves)} "
                "were moved before it and can be undone"
            ) from err
        finally:
            remove_if_empty((store.aside_folder / move.aside).parent)
    return events


def open_store(path: str | Path, *, new_store: bool = False) -> Store:
    """Open a store as `Store.open` does, and complete or revert every interrupted move.

    Annotations are handed over if a move was to be followed by that. Unfinished folders of exports
    whose processes were killed are deleted.

    Raise `StoreError` if it is new or empty and files set aside or a backup are beside it, unless
    `new_store`.
    """
    place = Path(os.path.abspath(path))
    if not new_store and not (place.exists() and place.stat().st_size):
        check_nothing_lost(place)
    store = Store.open(path)
    try:
        if not new_store and is_empty(store):
            check_nothing_lost(place)
        if not new_store and not store.database.read("SELECT 1 FROM hit LIMIT 1"):
            check_no_files_aside(place)
        recover_moves(store)
        complete_hand_overs(store)
        clear_listed_leftovers(store)
        if not store.database.is_read_only:
            clear_unfinished(store.path)
            store.acts.prune()
    except BaseException:
        store.close()
        raise
    return store


def recover_moves(store: Store) -> None:
    """Complete or revert every move that was interrupted.

    A file that cannot be removed from its old path stays there. This is logged as a warning, and
    stored until `clear_warnings` is called.
    """
    if store.database.is_read_only or not store.database.read("SELECT 1 FROM journal"):
        return
    with store.writing() as db:
        columns = ", ".join(field.name for field in fields(FileMove))
        rows = db.execute(f"SELECT id, {columns} FROM journal ORDER BY id").fetchall()
        for row_id, action, hit_id, home, *rest in rows:
            move = FileMove(Action(action), hit_id, Path(path_from_db(home)), *rest)
            if _complete(store, move):
                _, target = move.source_and_target(store)
                append_done(store.aside_folder, move.entry(DONE, target))
                _record(store, db, move)
            db.execute("DELETE FROM journal WHERE id = ?", (row_id,))


def _complete(store: Store, move: FileMove) -> bool:
    source, target = move.source_and_target(store)
    try:
        return complete_move(source, target, content_hash=move.content_hash)
    except OSError as err:
        text = f"{source}: cannot be moved ({err.strerror or err}); check its permissions"
        logger.warning("%s", text)
        warnings = [*dict.fromkeys([*read_warnings(store), text])][-MAX_WARNINGS:]
        store.database.save_setting(WARNINGS, warnings)
        return False


def read_warnings(store: Store) -> list[str]:
    """Return why interrupted moves could not be completed, the oldest first."""
    return list(store.database.read_setting(WARNINGS, []))


def clear_warnings(store: Store) -> None:
    """Delete the warnings that `read_warnings` returns."""
    store.database.save_setting(WARNINGS, [])


def _carry_out(store: Store, move: FileMove) -> HistoryEvent:
    """Write the journal, then move the file and change the hit in one transaction."""
    source, target = move.source_and_target(store)
    while True:
        with store.writing(changes_hits=False) as db:
            row_id = insert(db, "journal", asdict(move) | {"home": path_to_db(move.home)})
            if move.action == Action.SET_ASIDE:
                write_home_volume(db, move.hit_id, move.home)
        with store.writing() as db:
            if db.execute("DELETE FROM journal WHERE id = ?", (row_id,)).rowcount:
                append_entry(store.aside_folder, move.entry(BEGUN, source))
                move_file(source, target, content_hash=move.content_hash)
                append_done(store.aside_folder, move.entry(DONE, target))
                return _record(store, db, move)
        # Another process opened the store in between and took the move for an interrupted one.


def _revert(store: Store, move: FileMove, err: OSError) -> None:
    """Clear the journal after a move that failed."""
    if isinstance(err, FileExistsError):  # the file at the target is not ours: leave it alone
        with store.writing(changes_hits=False) as db:
            db.execute("DELETE FROM journal WHERE hit_id = ?", (move.hit_id,))
    recover_moves(store)


def _record(store: Store, db: sqlite3.Connection, move: FileMove) -> HistoryEvent:
    """Record in the hit and in the history that its file has moved."""
    is_away = move.action == Action.SET_ASIDE
    state, aside = (State.ASIDE, move.aside) if is_away else (State.HERE, None)
    if not is_away:  # a hit that was found at this path meanwhile has lost its file
        db.execute(
            "UPDATE hit SET state = 'missing' WHERE path = ? AND state = 'here' AND id != ?",
            (path_to_db(move.home), move.hit_id),
        )
    db.execute(  # the strokes and microphones of a file move together
        "UPDATE hit SET state = ?, aside = ? WHERE (path, content_hash, state, coalesce(aside, ''))"
        " = (SELECT path, content_hash, state, coalesce(aside, '') FROM hit WHERE id = ?)",
        (state, aside, move.hit_id),
    )
    if move.content_hash != db.execute(CONTENT_HASH, (move.hit_id,)).fetchone()[0]:
        update_hit(
            db, move.hit_id, {"mtime_ns": NO_TIME_NS}
        )  # the file was changed while it was away
    states = (State.HERE, State.ASIDE) if is_away else (State.ASIDE, State.HERE)
    if move.recorded:
        verb, text = move.action, move.home.name
        store.acts.record_state(FILE, move.hit_id, states, act=move.step, verb=verb, summary=text)
    source, target = move.source_and_target(store)
    return store.history.add(
        move.action, move.hit_id, source=source, target=target, reason=move.reason, step=move.step
    )

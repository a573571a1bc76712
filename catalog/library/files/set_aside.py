"""Moving hits out of the way and back: nothing is deleted, each file is always whole somewhere.

A row in the journal is written before a file moves and taken away together with the change of the
hit's state. The move is made inside that second transaction, so that no other program can take a
move at work for an interrupted one; a program that dies loses the right to write by itself.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import shutil
import sqlite3
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from catalog.errors import StoreError
from catalog.library.files.volumes import why_fixed
from catalog.library.scan.walk import hash_file
from catalog.library.store.database import path_from_db, path_to_db
from catalog.library.store.hits import Store
from catalog.models import HistoryEvent

LINUX = sys.platform == "linux"
OTHER_STROKES = "SELECT 1 FROM hit WHERE path = ? AND id != ? AND state = 'here'"
AT_FDCWD, RENAME_NOREPLACE = -100, 1  # linux/fcntl.h and linux/fs.h


@dataclass(frozen=True)
class _Move:
    """One row of the journal: a hit's file on its way between its home and the folder aside."""

    id: int
    action: str  # "set aside" or "restore"
    hit_id: int
    home: Path
    aside: str  # below the folder of files set aside
    content_hash: str
    reason: str
    step: int

    def ends(self, store: Store) -> tuple[Path, Path]:
        """Give source and target."""
        away = store.aside_folder / self.aside
        return (self.home, away) if self.action == "set aside" else (away, self.home)


def set_aside_hits(
    store: Store, hit_ids: Sequence[int], *, reason: str, step: int = 0
) -> list[HistoryEvent]:
    """Move the files of hits into the folder beside the store.

    All are checked before the first one moves.

    Parameters
    ----------
    store : Store
    hit_ids : sequence of int
    reason : str
        kept in the history
    step : int
        of the history; 0 is a new one

    Returns
    -------
    list of HistoryEvent, one per hit

    Raises
    ------
    StoreError
        if a hit is unknown or set aside already, its file is gone, is a link or has changed since
        it was scanned, its folder is read-only or on another machine, or a move fails; what was
        moved before that stays moved and in the history
    """
    step = step or store.new_step()
    moves = [_plan_aside(store, hit_id, reason, step) for hit_id in dict.fromkeys(hit_ids)]
    return _carry_out(store, moves)


def restore_hits(store: Store, hit_ids: Sequence[int], *, step: int = 0) -> list[HistoryEvent]:
    """Move files that were set aside back to where they were, byte for byte, with their times.

    Parameters
    ----------
    store : Store
    hit_ids : sequence of int, in any order
    step : int
        of the history; 0 is a new one

    Returns
    -------
    list of HistoryEvent, one per hit

    Raises
    ------
    StoreError
        if a hit is not set aside, its file has gone from the folder, or its old place is taken:
        a file there is never written over
    """
    step = step or store.new_step()
    moves = [_plan_restore(store, hit_id, step) for hit_id in dict.fromkeys(hit_ids)]
    return _carry_out(store, moves)


def find_obstacle(store: Store, hit_id: int) -> str:
    """Say why a hit cannot be set aside, without reading its file.

    Parameters
    ----------
    store : Store
    hit_id : int

    Returns
    -------
    str
        one line with what to do; "" if nothing is known to be in the way

    Raises
    ------
    StoreError
        if the hit is unknown
    """
    hit = store.hit(hit_id)
    if hit.state == "aside":
        return f"hit {hit_id} ({hit.path.name}) is set aside already"
    if hit.mate is not None:
        return f"hit {hit_id} ({hit.name}) is two files, left and right; hide it instead"
    if hit.path.is_symlink():
        return f"{hit.path}: is a link; set aside the file that it points to"
    if hit.region and store.read(OTHER_STROKES, (path_to_db(hit.path), hit_id)):
        return f"hit {hit_id} ({hit.name}) shares its file with other strokes; hide it instead"
    if why := why_fixed(hit.path):
        return f"{hit.path}: {why}, so the file stays; hide hit {hit_id} instead"
    return ""


def _plan_aside(store: Store, hit_id: int, reason: str, step: int) -> _Move:
    hit = store.hit(hit_id)
    if obstacle := find_obstacle(store, hit_id):
        raise StoreError(obstacle)
    _check_content(hit.path, hit.content_hash, gone="is gone; scan its folder again")
    aside = f"{hit_id}/{hit.path.name}"
    n_tries = 1
    while os.path.lexists(store.aside_folder / aside):
        n_tries += 1
        aside = f"{hit_id}-{n_tries}/{hit.path.name}"
    return _Move(0, "set aside", hit_id, hit.path, aside, hit.content_hash, reason, step)


def _plan_restore(store: Store, hit_id: int, step: int) -> _Move:
    hit = store.hit(hit_id)
    if hit.state != "aside":
        raise StoreError(f"hit {hit_id} ({hit.path.name}) is not set aside: it is {hit.state}")
    home, aside = store.read("SELECT path, aside FROM hit WHERE id = ?", (hit_id,))[0]
    move = _Move(0, "restore", hit_id, Path(path_from_db(home)), aside, hit.content_hash, "", step)
    _check_content(hit.path, hit.content_hash, gone="is gone from the folder of files set aside")
    _check_free(move.home)
    return move


def _check_free(place: Path) -> None:
    if os.path.lexists(place):
        raise StoreError(f"{place}: another file is there now; move it away, then restore again")


def _check_content(path: Path, content_hash: str, *, gone: str) -> None:
    try:
        same = hash_file(path) == content_hash
    except FileNotFoundError as err:
        raise StoreError(f"{path}: {gone}") from err
    except OSError as err:
        raise StoreError(
            f"{path}: cannot be read ({err.strerror}); check that you may open it"
        ) from err
    if not same:
        raise StoreError(f"{path}: has changed since it was scanned; scan its folder again first")


def _carry_out(store: Store, moves: Sequence[_Move]) -> list[HistoryEvent]:
    recover_moves(store)
    events: list[HistoryEvent] = []
    for move in moves:
        try:
            events.append(_move_one(store, move))
            _remove_if_empty(store.aside_folder / str(Path(move.aside).parent))
        except OSError as err:
            _take_back(store, move, err)
            source, _ = move.ends(store)
            raise StoreError(
                f"{source}: cannot be moved ({err.strerror or err}); {len(events)} of {len(moves)} "
                "were moved before it and can be undone"
            ) from err
    return events


def _remove_if_empty(folder: Path) -> None:
    with contextlib.suppress(OSError):  # not empty, which is the usual case after setting aside
        folder.rmdir()


def _take_back(store: Store, move: _Move, err: OSError) -> None:
    """Clear the journal after a move that failed."""
    if isinstance(err, FileExistsError):  # what is at the target is another's: look no further
        with store.writing(changes_hits=False) as db:
            db.execute("DELETE FROM journal WHERE hit_id = ?", (move.hit_id,))
    recover_moves(store)


def _move_one(store: Store, move: _Move) -> HistoryEvent:
    """Write the journal, then move the file and change the hit in one transaction."""
    while True:
        journal_id = _write_journal(store, move)
        with store.writing() as db:
            row = db.execute("SELECT 1 FROM journal WHERE id = ?", (journal_id,)).fetchone()
            if row is None:
                continue  # another program opened the store in between and took it for interrupted
            source, target = move.ends(store)
            move_file(source, target, content_hash=move.content_hash)
            return _finish(store, db, replace(move, id=journal_id))


def _write_journal(store: Store, m: _Move) -> int:
    with store.writing(changes_hits=False) as db:
        made = db.execute(
            "INSERT INTO journal (action, hit_id, home, aside, content_hash, reason, step)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            (m.action, m.hit_id, path_to_db(m.home), m.aside, m.content_hash, m.reason, m.step),
        )
    return int(made.lastrowid or 0)


def _finish(store: Store, db: sqlite3.Connection, move: _Move) -> HistoryEvent:
    """Write down that a file has moved."""
    state, aside = ("aside", move.aside) if move.action == "set aside" else ("here", None)
    if state == "here":  # a hit that was found at this place meanwhile has lost its file
        db.execute(
            "UPDATE hit SET state = 'missing' WHERE path = ? AND state = 'here' AND id != ?",
            (path_to_db(move.home), move.hit_id),
        )
    db.execute("UPDATE hit SET state = ?, aside = ? WHERE id = ?", (state, aside, move.hit_id))
    db.execute("DELETE FROM journal WHERE id = ?", (move.id,))
    source, target = move.ends(store)
    return store.add_event(
        move.action, move.hit_id, source=source, target=target, reason=move.reason, step=move.step
    )


def move_file(source: Path, target: Path, *, content_hash: str) -> None:
    """Move a file to a free place, so that it is whole in one of both at any moment.

    On one file system by a second name for the same file; else by a copy that is checked first.

    Parameters
    ----------
    source, target : Path
    content_hash : str
        hex SHA-256 of the file

    Raises
    ------
    OSError
        if the target exists or the move is not possible; the source is untouched then
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(source, target, follow_symlinks=False)
    except FileExistsError:
        raise
    except OSError:  # another file system, or one that knows no second names
        _copy_checked(source, target, content_hash)
    _sync_folder(target.parent)
    os.unlink(source)
    _sync_folder(source.parent)


def _part(target: Path, content_hash: str) -> Path:
    """Where a copy grows; hidden, so that no scan takes it for a file."""
    return target.parent / f".{content_hash[:24]}.part"


def _copy_checked(source: Path, target: Path, content_hash: str) -> None:
    part = _part(target, content_hash)
    before = os.stat(source)
    shutil.copy2(source, part)
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    if hash_file(part) != content_hash:
        part.unlink()
        raise OSError(f"the copy differs from the file; the disk of {target.parent} may be failing")
    now = os.stat(source)
    if (now.st_size, now.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
        part.unlink()
        raise OSError("another program wrote to it while it was copied")
    _rename_free(part, target)


def _rename_free(part: Path, target: Path) -> None:
    """Rename without writing over anything, where the file system can promise that."""
    try:
        os.link(part, target)
    except FileExistsError:
        part.unlink()
        raise
    except OSError:
        try:
            _rename_new(part, target)
        except FileExistsError:
            part.unlink()
            raise
        return
    part.unlink()


def _rename_new(part: Path, target: Path) -> None:
    """Rename in one step that fails if the target exists; Linux and Windows can, others look first.

    References
    ----------
    RENAME_NOREPLACE of renameat2(2), Linux manual pages; `os.rename` of the Python library
    reference: on Windows it fails where the target exists.
    """
    call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None) if LINUX else None
    if call is not None:
        names = os.fsencode(part), os.fsencode(target)
        if call(AT_FDCWD, names[0], AT_FDCWD, names[1], RENAME_NOREPLACE) == 0:
            return
        if ctypes.get_errno() == errno.EEXIST:
            raise FileExistsError(f"{target} exists")
    if os.path.lexists(target):  # a kernel or file system that cannot promise it
        raise FileExistsError(f"{target} exists")
    os.rename(part, target)


def _sync_folder(folder: Path) -> None:
    """Bring names to the disk, where the system lets folders be synced."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError:  # some network file systems cannot; the move itself stands
        pass
    finally:
        os.close(handle)


def recover_moves(store: Store) -> None:
    """Finish or take back every move that a program left half done.

    Parameters
    ----------
    store : Store
    """
    if not store.read("SELECT 1 FROM journal"):
        return
    with store.writing() as db:
        columns = "id, action, hit_id, home, aside, content_hash, reason, step"
        for row in db.execute(f"SELECT {columns} FROM journal ORDER BY id").fetchall():
            move_id, action, hit_id, home, *rest = row
            _recover_one(store, db, _Move(move_id, action, hit_id, Path(path_from_db(home)), *rest))


def _recover_one(store: Store, db: sqlite3.Connection, move: _Move) -> None:
    source, target = move.ends(store)
    _part(target, move.content_hash).unlink(missing_ok=True)
    if os.path.lexists(target) and _is_whole(target, move.content_hash):
        if os.path.lexists(source) and _is_whole(source, move.content_hash):
            os.unlink(source)  # the target holds every byte of it
        if not os.path.lexists(source):
            _finish(store, db, move)
            return
    db.execute("DELETE FROM journal WHERE id = ?", (move.id,))


def _is_whole(path: Path, content_hash: str) -> bool:
    try:
        return hash_file(path) == content_hash
    except OSError:
        return False

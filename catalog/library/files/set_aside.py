"""Hits set aside: their files move to a folder beside the store, and back; nothing is deleted."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from catalog.errors import StoreError
from catalog.library.files.journal import FileMove, carry_out_moves
from catalog.library.files.volumes import immovable_reason
from catalog.library.scan.walk import hash_file
from catalog.library.store.database import path_from_db, path_to_db
from catalog.library.store.store import Store
from catalog.models import Action, HistoryEvent, State

OTHER_STROKES = "SELECT 1 FROM hit WHERE path = ? AND id != ? AND state = 'here'"


def set_aside_hits(
    store: Store, hit_ids: Sequence[int], *, reason: str, step: int = 0
) -> list[HistoryEvent]:
    """Move the files of hits into the folder beside the store.

    All hits are checked before the first file moves.

    Parameters
    ----------
    store : Store
    hit_ids : sequence of int
    reason : str
        kept in the history
    step : int
        of the history; 0 starts a new one

    Returns
    -------
    list of HistoryEvent, one per hit

    Raises
    ------
    StoreError
        if a hit is unknown or already set aside, its file is gone, is a link or has changed since
        it was scanned, its folder is read-only or on another machine, or a move fails; the files
        moved before that stay moved and in the history
    """
    step = step or store.history.new_step()
    moves = [
        _plan_set_aside(store, hit_id, reason=reason, step=step)
        for hit_id in dict.fromkeys(hit_ids)
    ]
    return carry_out_moves(store, moves)


def restore_hits(store: Store, hit_ids: Sequence[int], *, step: int = 0) -> list[HistoryEvent]:
    """Move files that were set aside back to where they were, with bytes and times unchanged.

    Parameters
    ----------
    store : Store
    hit_ids : sequence of int, in any order
    step : int
        of the history; 0 starts a new one

    Returns
    -------
    list of HistoryEvent, one per hit

    Raises
    ------
    StoreError
        if a hit is not set aside, its file has gone from the folder, or another file has its old
        path: that file is never overwritten
    """
    step = step or store.history.new_step()
    moves = [_plan_restore(store, hit_id, step=step) for hit_id in dict.fromkeys(hit_ids)]
    return carry_out_moves(store, moves)


def find_obstacle(store: Store, hit_id: int) -> str:
    """Return why a hit cannot be set aside, without reading its file.

    Parameters
    ----------
    store : Store
    hit_id : int

    Returns
    -------
    str
        one line with what to do; "" if no obstacle is known

    Raises
    ------
    StoreError
        if the hit is unknown
    """
    hit = store.hits.get(hit_id)
    if hit.state == State.ASIDE:
        return f"hit {hit_id} ({hit.path.name}) is set aside already"
    if hit.mate is not None:
        return f"hit {hit_id} ({hit.name}) is two files, left and right; hide it instead"
    if hit.path.is_symlink():
        return f"{hit.path}: is a link; set aside the file that it points to"
    if hit.region and store.database.read(OTHER_STROKES, (path_to_db(hit.path), hit_id)):
        return f"hit {hit_id} ({hit.name}) shares its file with other strokes; hide it instead"
    if reason := immovable_reason(hit.path):
        return f"{hit.path}: {reason}, so the file stays; hide hit {hit_id} instead"
    return ""


def _plan_set_aside(store: Store, hit_id: int, *, reason: str, step: int) -> FileMove:
    hit = store.hits.get(hit_id)
    if obstacle := find_obstacle(store, hit_id):
        raise StoreError(obstacle)
    _check_content(hit.path, hit.content_hash, if_missing="is gone; scan its folder again")
    aside = f"{hit_id}/{hit.path.name}"
    n_tries = 1
    while os.path.lexists(store.aside_folder / aside):
        n_tries += 1
        aside = f"{hit_id}-{n_tries}/{hit.path.name}"
    return FileMove(Action.SET_ASIDE, hit_id, hit.path, aside, hit.content_hash, reason, step)


def _plan_restore(store: Store, hit_id: int, *, step: int) -> FileMove:
    hit = store.hits.get(hit_id)
    if hit.state != State.ASIDE:
        raise StoreError(f"hit {hit_id} ({hit.path.name}) is not set aside: it is {hit.state}")
    path, aside = store.database.read("SELECT path, aside FROM hit WHERE id = ?", (hit_id,))[0]
    home = Path(path_from_db(path))
    if_missing = "is gone from the folder of files set aside"
    _check_content(hit.path, hit.content_hash, if_missing=if_missing)
    if os.path.lexists(home):
        raise StoreError(f"{home}: another file is there now; move it away, then restore again")
    return FileMove(Action.RESTORE, hit_id, home, aside, hit.content_hash, "", step)


def _check_content(path: Path, content_hash: str, *, if_missing: str) -> None:
    try:
        is_same = hash_file(path) == content_hash
    except FileNotFoundError as err:
        raise StoreError(f"{path}: {if_missing}") from err
    except OSError as err:
        raise StoreError(
            f"{path}: cannot be read ({err.strerror}); check that you may open it"
        ) from err
    if not is_same:
        raise StoreError(f"{path}: has changed since it was scanned; scan its folder again first")

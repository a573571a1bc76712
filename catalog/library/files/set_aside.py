"""Hits taken out of use: set aside, so that their files move beside the store, or only hidden."""

from __future__ import annotations

import os
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from catalog.errors import StoreArgumentError, StoreError
from catalog.library.files.home_volumes import check_home_volume
from catalog.library.files.journal import FileMove, carry_out_moves
from catalog.library.files.volumes import immovable_reason
from catalog.library.scan.walk import SCAN_AGAIN, hash_file
from catalog.library.store.acts.log import HIDDEN
from catalog.library.store.acts.summaries import describe_hits
from catalog.library.store.database import path_from_db, update_hit
from catalog.library.store.store import Store
from catalog.models import NOISES, Action, Hit, State
from catalog.reports import HistoryEvent

AS_IT_IS = "--as-it-is"  # option that restores a changed file; named in the error
CHANGED = "changed while it was set aside"  # reason in the history
HITS_OF_FILE = (
    "SELECT other.id FROM hit JOIN hit other ON other.path = hit.path AND other.state = hit.state"
    " AND other.aside IS hit.aside WHERE hit.id = ? ORDER BY other.id"
)


def set_aside_hits(
    store: Store, hit_ids: Sequence[int], *, reason: str, step: int = 0, whole_files: bool = False
) -> list[HistoryEvent]:
    """Move the files of hits into the folder beside the store; return an event for each file.

    A hit that stands for a stroke moves with the files of all its microphones. The file of a take
    moves if all its strokes are among the hits, or with `whole_files`.

    All hits are checked before the first file moves. The history keeps `reason`; a `step` of 0
    starts a new one. Raise `StoreError` if a hit is unknown or already set aside, its file is
    missing, is a link or has changed since it was scanned, its folder is read-only or on another
    machine, or a move fails; the files moved before that stay moved and in the history.
    """
    summary = describe_hits(store.database, hit_ids) + (f": {reason}" if reason else "")
    with store.act(Action.SET_ASIDE, summary):
        step = step or store.history.new_step()
        if whole_files:
            hit_ids = hits_of_files(store, hit_ids)
        moves = [
            _plan_set_aside(store, hit_id, hit_ids, reason=reason, step=step)
            for hit_id in hits_to_move(store, hit_ids)
        ]
        return carry_out_moves(store, moves)


def hits_of_files(store: Store, hit_ids: Collection[int]) -> list[int]:
    """Return some hits and, after them, the hits that share a file with one and are in its state.

    Raise `StoreError` if a hit is unknown.
    """
    found = dict.fromkeys(hit_ids)
    for hit in map(store.hits.get, hit_ids):
        found |= dict.fromkeys(row[0] for row in store.database.read(HITS_OF_FILE, (hit.id,)))
    return list(found)


def hits_to_move(store: Store, hit_ids: Sequence[int]) -> list[int]:
    """Return one hit for each file of some hits, with all microphones of a stroke.

    A microphone that does not stand for its stroke moves alone. Raise `StoreError` if a hit is
    unknown.
    """
    found: dict[Path, int] = {}
    for hit_id in hit_ids:
        hit = store.hits.get(hit_id)
        is_main = hit.stroke == hit.id
        paths = {mic.path: mic.hit_id for mic in reversed(hit.microphones)} if is_main else {}
        for path in sorted(paths or (hit.path,), key=lambda path: path != hit.path):
            found.setdefault(path, paths.get(path, hit.id))
    return list(found.values())


@dataclass(frozen=True)
class RestoreOptions:
    """Files that are restored although something is not as it was."""

    as_it_is: bool = False  # also files that have changed since they were set aside
    other_disk: bool = False  # also where another disk is mounted now


AS_BEFORE = RestoreOptions()


def restore_hits(
    store: Store,
    hit_ids: Sequence[int],
    *,
    step: int = 0,
    options: RestoreOptions = AS_BEFORE,
) -> list[HistoryEvent]:
    """Move files that were set aside back to where they were, with bytes and times unchanged.

    A file that has changed meanwhile is measured by the next scan of its folder. Raise `StoreError`
    if a hit is not set aside, its file is missing from the folder, or another file has its old
    path; that file is never overwritten. Raise it also, unless the options allow it, if the file
    has changed, or the disk that it came from is not mounted.
    """
    with store.act(Action.RESTORE, describe_hits(store.database, hit_ids)):
        step = step or store.history.new_step()
        moves = [
            _plan_restore(store, hit_id, options, step=step)
            for hit_id in hits_to_move(store, hit_ids)
        ]
        return carry_out_moves(store, moves)


def find_obstacle(store: Store, hit_id: int, together: Collection[int] = ()) -> str:
    """Return why a hit cannot be set aside and what to do, without reading its file; "" if it can.

    A stroke with several microphones can be set aside if the file of each can, a stroke of a take
    if all strokes of the take are set aside `together`. Raise `StoreError` if the hit is unknown.
    """
    reasons = (_find_obstacle(store, each, together) for each in hits_to_move(store, [hit_id]))
    return next(filter(None, reasons), "")


def _find_obstacle(store: Store, hit_id: int, together: Collection[int]) -> str:
    hit = store.hits.get(hit_id)
    if hit.state == State.ASIDE:
        return f"hit {hit_id} ({hit.path.name}) is set aside already"
    if hit.mate is not None:
        return f"hit {hit_id} ({hit.name}) is two files, left and right; hide it instead"
    if hit.path.is_symlink():
        return f"{hit.path}: is a link; set aside the file that it points to"
    if not _is_whole_file(store, hit, together):
        return f"hit {hit_id} ({hit.name}) shares its file with other strokes; hide it instead"
    if reason := immovable_reason(hit.path):
        return f"{hit.path}: {reason}, so the file stays; hide hit {hit_id} instead"
    return ""


def _is_whole_file(store: Store, hit: Hit, together: Collection[int]) -> bool:
    """Return whether no stroke of the file of a hit would stay; voices and bumps may."""
    moved = {mic.hit_id for mic in hit.microphones}
    left = [i for i in hits_of_files(store, [hit.id]) if i not in moved and i not in together]
    others = (store.hits.get(hit_id) for hit_id in left)
    return all(other.stroke in together or other.event in NOISES for other in others)


def _plan_set_aside(
    store: Store, hit_id: int, together: Collection[int], *, reason: str, step: int
) -> FileMove:
    hit = store.hits.get(hit_id)
    if obstacle := find_obstacle(store, hit_id, together):
        raise StoreError(obstacle)
    gone = "no longer exists; scan its folder again"
    if _read_hash(hit.path, if_missing=gone) != hit.content_hash:
        raise StoreError(f"{hit.path}: has changed since it was scanned; {SCAN_AGAIN}")
    aside = f"{hit_id}/{hit.path.name}"
    n_tries = 1
    while os.path.lexists(store.aside_folder / aside):
        n_tries += 1
        aside = f"{hit_id}-{n_tries}/{hit.path.name}"
    recorded = store.database.recording.is_on
    return FileMove(
        Action.SET_ASIDE, hit_id, hit.path, aside, hit.content_hash, reason, step, recorded
    )


def _plan_restore(store: Store, hit_id: int, options: RestoreOptions, *, step: int) -> FileMove:
    hit = store.hits.get(hit_id)
    if hit.state != State.ASIDE:
        raise StoreArgumentError(
            f"hit {hit_id} ({hit.path.name}) is not set aside: it is {hit.state}"
        )
    path, aside = store.database.read("SELECT path, aside FROM hit WHERE id = ?", (hit_id,))[0]
    original = Path(path_from_db(path))
    content_hash = _read_hash(hit.path, if_missing="is no longer in the folder of files set aside")
    if content_hash != hit.content_hash and not options.as_it_is:
        raise StoreError(
            f"{hit.path}: has changed since it was set aside; `catalog restore {hit_id} {AS_IT_IS}`"
            " moves it back as it is now"
        )
    if os.path.lexists(original):
        raise StoreError(f"{original}: another file is there now; move it away, then restore again")
    if not options.other_disk:
        check_home_volume(store, hit_id, original)
    reason = "" if content_hash == hit.content_hash else CHANGED
    recorded = store.database.recording.is_on
    return FileMove(Action.RESTORE, hit_id, original, aside, content_hash, reason, step, recorded)


def _read_hash(path: Path, *, if_missing: str) -> str:
    """Return the content hash of a file; raise `StoreError` if it cannot be read."""
    try:
        return hash_file(path)
    except FileNotFoundError as err:
        raise StoreError(f"{path}: {if_missing}") from err
    except OSError as err:
        text = f"{path}: cannot be read ({err.strerror}); check that you may open it"
        raise StoreError(text) from err


def hide_hits(
    store: Store, hit_ids: Sequence[int], *, reason: str = "", step: int = 0
) -> list[HistoryEvent]:
    """Leave hits out of lists, searches, copies and kits; no file is touched.

    Raise `StoreError` if a hit is unknown, set aside, or already hidden; then none is hidden.
    """
    return _set_hidden(store, hit_ids, hidden=True, reason=reason, step=step)


def unhide_hits(store: Store, hit_ids: Sequence[int], *, step: int = 0) -> list[HistoryEvent]:
    """Include hidden hits again.

    Raise `StoreError` if a hit is unknown or not hidden; then none is changed.
    """
    return _set_hidden(store, hit_ids, hidden=False, reason="", step=step)


def _set_hidden(
    store: Store, hit_ids: Sequence[int], *, hidden: bool, reason: str, step: int
) -> list[HistoryEvent]:
    action, events = (Action.HIDE if hidden else Action.UNHIDE), []
    summary = describe_hits(store.database, hit_ids) + (f": {reason}" if reason else "")
    with store.act(action, summary), store.writing() as db:
        step = step or store.history.new_step()
        for hit_id in dict.fromkeys(hit_ids):
            hit = store.hits.get(hit_id)
            sql = "SELECT hidden FROM hit WHERE id = ?"
            is_hidden = bool(store.database.read(sql, (hit_id,))[0][0])
            if hit.state == State.ASIDE:
                raise StoreArgumentError(
                    f"hit {hit_id} ({hit.path.name}) is set aside; restore it first"
                )
            if is_hidden and hidden:
                raise StoreArgumentError(f"hit {hit_id} ({hit.path.name}) is hidden already")
            if not (is_hidden or hidden):
                raise StoreArgumentError(
                    f"hit {hit_id} ({hit.path.name}) is not hidden: it is {hit.state}"
                )
            for microphone in hit.microphones:
                update_hit(db, microphone.hit_id, {"hidden": int(hidden)})
            states = (State.HERE, State.HIDDEN) if hidden else (State.HIDDEN, State.HERE)
            if store.database.recording.is_on:
                store.acts.record_state(HIDDEN, hit_id, states, act=step)
            events.append(store.history.add_edit(action, hit, reason, step=step))
    return events

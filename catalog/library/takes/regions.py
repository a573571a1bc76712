"""The strokes of a take as regions of its file: moved, split, merged and stored as an override.

The recording itself is never written to. Hits keep their ids where their regions overlap the
previous ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from catalog.audio.channels import CANCEL_DB, MIXES, cancellation_db, mix_channels
from catalog.errors import ParameterError, StoreArgumentError, StoreError
from catalog.library.scan.stereo_pairs import count_frames, decode_hit
from catalog.library.store.database import path_from_db, path_to_db
from catalog.library.store.store import Store
from catalog.library.takes.overrides import (
    FileOverride,
    check_regions,
    find_regions,
    read_override,
    save_override,
)
from catalog.library.takes.remeasure import measure_stored
from catalog.library.takes.shared_cut import cut_take_alike
from catalog.models import Action, Hit, State

MIN_REGION_S = 0.010  # a shorter region holds no stroke


def list_regions(store: Store, path: str | Path) -> list[Hit]:
    """Return the strokes of one file in the order of time, hidden ones too.

    Of several microphones in the file, the hit that stands for the stroke is returned.

    Raise `StoreError` if the store holds no hit of this file.
    """
    db_path = path_to_db(Path(path).absolute())
    rows = store.database.read("SELECT id FROM hit WHERE path = ? AND state = 'here'", (db_path,))
    if not rows:
        raise StoreError(f"{path}: no hit of this file is in the store; scan its folder first")
    strokes: dict[tuple[int, int], Hit] = {}
    for hit in sorted((store.hits.get(row[0]) for row in rows), key=lambda hit: hit.id):
        if hit.stroke == hit.id or (hit.start, hit.stop) not in strokes:
            strokes[hit.start, hit.stop] = hit
    return sorted(strokes.values(), key=lambda hit: hit.start)


def move_region(store: Store, hit_id: int, *, start: int, stop: int) -> list[Hit]:
    """Change the region of one stroke of a take; return the strokes of the file as they are now.

    `start` and `stop` are frames of the file, `stop` exclusive. Raise `ParameterError` if the
    region overlaps another, lies outside the file, or holds no stroke, and `StoreError` if the
    hit's file is missing or set aside, or has changed since it was scanned.
    """
    hit = store.hits.get(hit_id)
    ranges = {other.id: (other.start, other.stop) for other in _list_strokes(store, hit)}
    ranges[hit.id] = (start, stop)
    return set_regions(store, hit.path, list(ranges.values()))


def split_region(store: Store, hit_id: int, *, at: int) -> list[Hit]:
    """Split one stroke in two; see `move_region`. `at` is the first frame of the second."""
    hit = store.hits.get(hit_id)
    min_frames = round(MIN_REGION_S * hit.sr)
    if not hit.start + min_frames <= at <= hit.stop - min_frames:
        raise ParameterError(
            f"at={at} ({at / hit.sr:.3f} s) must lie between {hit.start + min_frames} and"
            f" {hit.stop - min_frames} ({hit.start / hit.sr + MIN_REGION_S:.3f} to"
            f" {hit.stop / hit.sr - MIN_REGION_S:.3f} s): each part of hit {hit_id} needs"
            f" {MIN_REGION_S * 1000:.0f} ms"
        )
    ranges = [(o.start, o.stop) for o in _list_strokes(store, hit) if o.id != hit.id]
    return set_regions(store, hit.path, [*ranges, (hit.start, at), (at, hit.stop)])


def merge_regions(store: Store, hit_ids: Sequence[int]) -> list[Hit]:
    """Merge neighboring strokes of one file; the first keeps its id. See `move_region`."""
    hits = sorted((store.hits.get(i) for i in dict.fromkeys(hit_ids)), key=lambda hit: hit.start)
    if len(hits) < 2 or len({hit.path for hit in hits}) > 1:
        raise ParameterError("merging needs at least two strokes, all of one file")
    if len({hit.state for hit in hits}) > 1:
        raise ParameterError("one of the strokes is hidden; unhide it before merging")
    strokes = _list_strokes(store, hits[0])
    first = next(at for at, stroke in enumerate(strokes) if stroke.id == hits[0].id)
    if [s.id for s in strokes[first : first + len(hits)]] != [hit.id for hit in hits]:
        raise ParameterError(
            "only neighboring strokes can be merged; another stroke is between them"
        )
    ranges = [(s.start, s.stop) for s in strokes if s not in hits]
    return set_regions(store, hits[0].path, [*ranges, (hits[0].start, hits[-1].stop)])


def reset_regions(store: Store, path: str | Path) -> list[Hit]:
    """Delete the user's regions of a file, and detect its strokes as a scan does."""
    return _change_override(store, list_regions(store, path), regions=None)


def cut_loop(store: Store, path: str | Path) -> list[Hit]:
    """Cut a performance into its strokes, as a scan cuts a take."""
    strokes = list_regions(store, path)
    return set_regions(store, path, find_regions(strokes[0].path, mate=strokes[0].mate))


def set_regions(store: Store, path: str | Path, regions: Sequence[tuple[int, int]]) -> list[Hit]:
    """Set the regions of a file, as (start, stop) in frames; see `move_region`."""
    strokes = list_regions(store, path)
    n_frames = count_frames(strokes[0])
    return _change_override(store, strokes, regions=check_regions(regions, n_frames=n_frames))


def mix_file(store: Store, path: str | Path, mix: str) -> list[Hit]:
    """Set how the channels of a file are mixed; measure its strokes again and return them.

    `mix` is "" (as recorded), "sum", "aligned", or the number of one channel. Raise
    `ParameterError` if the choice is unknown or the file has no such channel, and `StoreError` if
    the file is not in the store or has changed since it was scanned.
    """
    return _change_override(store, list_regions(store, path), mix=mix)


def cancellation_warning(hit: Hit, mix: str) -> str:
    """Return a warning if a sum of a hit's channels cancels, with the loss in dB; else ""."""
    if mix not in MIXES:
        return ""
    audio = decode_hit(hit)
    lost_db = cancellation_db(audio.samples, mix_channels(audio, mix).samples)
    if lost_db <= CANCEL_DB:
        return ""
    remedy = "try 'aligned', or one channel" if mix == "sum" else "take one channel"
    return f"the channels of {hit.name} cancel in this mix: {lost_db:.1f} dB are lost; {remedy}"


def _list_strokes(store: Store, hit: Hit) -> list[Hit]:
    if hit.state not in (State.HERE, State.HIDDEN):
        raise StoreArgumentError(f"hit {hit.id} ({hit.name}) is {hit.state}: restore it first")
    return list_regions(store, hit.path)


def _change_override(store: Store, strokes: Sequence[Hit], **changes: Any) -> list[Hit]:
    """Measure a file with changes to its override, then store both together."""
    path = strokes[0].path
    override = replace(read_override(store, strokes[0].content_hash), **changes)
    what = "mix" if "mix" in changes else "cut"
    file = measure_stored(store, strokes, override)
    with store.act(what, path.name), store.writing():
        save_override(store, override)
        with store.database.recording.paused():
            store.files.write_measured([file])
        for hit in strokes:
            store.history.add_edit(Action.CUT, hit, f"{what} changed")
    cut_take_alike(store, path)
    return list_regions(store, path)


def apply_override(store: Store, override: FileOverride) -> None:
    """Store an override of a file; measure the file again if the store has it.

    Raise `StoreError` if the file has changed since it was scanned.
    """
    sql = "SELECT path FROM hit WHERE content_hash = ? AND state = 'here' LIMIT 1"
    rows = store.database.read(sql, (override.content_hash,))
    strokes = list_regions(store, path_from_db(rows[0][0])) if rows else []
    file = measure_stored(store, strokes, override) if strokes else None
    with store.writing():
        save_override(store, override)
        if file is not None:
            store.files.write_measured([file])
        for hit in strokes:
            store.history.add_edit(Action.CUT, hit, "cut as before")
    if strokes:
        cut_take_alike(store, strokes[0].path)

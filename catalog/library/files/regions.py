"""The cut of a take: its strokes as regions of the file, moved, split and merged; kept for good.

Nothing is written into the recording. A cut that was changed is kept by the file's content, so
that later scans use it; hits keep their numbers where their regions overlap the old ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from catalog.audio.channels import CANCEL_DB, MIXES, cancellation_db, mix_channels
from catalog.audio.model import Audio
from catalog.errors import ParameterError, StoreError
from catalog.features.measure import Measures
from catalog.library.files.overrides import (
    Cut,
    FileSaid,
    check_cut,
    keep_said,
    measure_said,
    said_of,
    with_mix,
)
from catalog.library.metadata.filename import Provenance
from catalog.library.metadata.role_model import role_probabilities
from catalog.library.metadata.roles import combine_role
from catalog.library.scan.stereo_pairs import decode_hit
from catalog.library.scan.walk import hash_file
from catalog.library.store.database import path_to_db
from catalog.library.store.hits import Store
from catalog.library.store.ingest import MeasuredFile
from catalog.models import Hit

MIN_REGION_S = 0.010  # a shorter region holds no stroke


def list_regions(store: Store, path: str | Path) -> list[Hit]:
    """Give the hits of one file in the order of time, hidden ones too.

    Raises
    ------
    StoreError
        if the store holds no hit of this file
    """
    place = path_to_db(Path(path).absolute())
    rows = store.read("SELECT id FROM hit WHERE path = ? AND state = 'here'", (place,))
    if not rows:
        raise StoreError(f"{path}: no hit of this file is in the store; scan its folder first")
    return sorted((store.hit(row[0]) for row in rows), key=lambda hit: hit.start)


def move_region(store: Store, hit_id: int, *, start: int, stop: int) -> list[Hit]:
    """Give one stroke of a take another region.

    Parameters
    ----------
    store : Store
    hit_id : int
    start, stop : int, frames of the file, `stop` exclusive

    Returns
    -------
    list of Hit, the strokes of the file as they are now

    Raises
    ------
    ParameterError
        if the region overlaps another, lies outside the file, or holds no stroke
    StoreError
        if the hit is not there, or its file has changed since it was scanned
    """
    hit = store.hit(hit_id)
    spans = {other.id: (other.start, other.stop) for other in _strokes(store, hit)}
    spans[hit.id] = (start, stop)
    return recut(store, hit.path, list(spans.values()))


def split_region(store: Store, hit_id: int, *, at: int) -> list[Hit]:
    """Cut one stroke in two; see `move_region`. `at` is the first frame of the second."""
    hit = store.hit(hit_id)
    least = round(MIN_REGION_S * hit.sr)
    if not hit.start + least <= at <= hit.stop - least:
        raise ParameterError(
            f"at={at} ({at / hit.sr:.3f} s) must lie between {hit.start + least} and"
            f" {hit.stop - least} ({hit.start / hit.sr + MIN_REGION_S:.3f} to"
            f" {hit.stop / hit.sr - MIN_REGION_S:.3f} s): each part of hit {hit_id} needs"
            f" {MIN_REGION_S * 1000:.0f} ms"
        )
    spans = [(other.start, other.stop) for other in _strokes(store, hit) if other.id != hit.id]
    return recut(store, hit.path, [*spans, (hit.start, at), (at, hit.stop)])


def merge_regions(store: Store, hit_ids: Sequence[int]) -> list[Hit]:
    """Make one stroke of neighbours in one file; the first keeps its number. See `move_region`."""
    hits = sorted((store.hit(i) for i in dict.fromkeys(hit_ids)), key=lambda hit: hit.start)
    if len(hits) < 2 or len({hit.path for hit in hits}) > 1:
        raise ParameterError("merging needs at least two strokes, all of one file")
    if len({hit.state for hit in hits}) > 1:
        raise ParameterError("one of them is hidden: take it in again before merging")
    strokes = _strokes(store, hits[0])
    first = next(at for at, stroke in enumerate(strokes) if stroke.id == hits[0].id)
    if [s.id for s in strokes[first : first + len(hits)]] != [hit.id for hit in hits]:
        raise ParameterError("only neighbours can be merged: another stroke lies between them")
    spans = [(s.start, s.stop) for s in strokes if s not in hits]
    return recut(store, hits[0].path, [*spans, (hits[0].start, hits[-1].stop)])


def drop_cut(store: Store, path: str | Path) -> list[Hit]:
    """Forget what the user said of a file's cut, and cut it as a scan does."""
    return _rewrite(store, Path(path), None)


def recut(store: Store, path: str | Path, cut: Sequence[tuple[int, int]]) -> list[Hit]:
    """Cut a file into these regions, as (start, stop) in frames; see `move_region`."""
    return _rewrite(store, Path(path), tuple((int(a), int(b)) for a, b in cut))


def mix_file(store: Store, path: str | Path, mix: str) -> list[Hit]:
    """Choose how the channels of a file are mixed, keep it, and measure its strokes anew.

    Parameters
    ----------
    store : Store
    path : str or Path
    mix : str, "" (as recorded), "sum", "aligned", or the number of one channel

    Returns
    -------
    list of Hit, the strokes of the file

    Raises
    ------
    ParameterError
        if the choice is unknown or the file has no such channel
    StoreError
        if the file is not in the store or has changed since it was scanned
    """
    strokes = list_regions(store, path)
    said = replace(said_of(store, strokes[0].content_hash), mix=mix)
    audio, measures = measure_said(strokes[0].path, said, mate=strokes[0].mate)
    return _write(store, strokes, audio, measures, said)


def _strokes(store: Store, hit: Hit) -> list[Hit]:
    if hit.state not in ("here", "hidden"):
        raise StoreError(f"hit {hit.id} ({hit.name}) is {hit.state}: bring it back first")
    return list_regions(store, hit.path)


def _rewrite(store: Store, path: Path, cut: Cut | None) -> list[Hit]:
    strokes = list_regions(store, path)
    if cut is not None:
        cut = check_cut(cut, n_frames=len(decode_hit(strokes[0], whole=True).samples))
    said = replace(said_of(store, strokes[0].content_hash), cut=cut)
    audio, measures = measure_said(strokes[0].path, said, mate=strokes[0].mate)
    return _write(store, strokes, audio, measures, said)


def _write(
    store: Store, strokes: Sequence[Hit], audio: Audio, measures: Measures, said: FileSaid
) -> list[Hit]:
    path = strokes[0].path
    if hash_file(path, strokes[0].mate) != said.content_hash:
        raise StoreError(f"{path}: has changed since it was scanned; scan its folder again first")
    files = _to_files(store, strokes, audio, (measures, *measures.others), mix=said.mix)
    with store.writing():
        keep_said(store, said)
        store.write_measured([replace(files[0], others=tuple(files[1:]))])
        for hit in strokes:
            store.add_event("cut", hit.id, source=path, target=path, reason="cut changed")
    return list_regions(store, path)


def _to_files(
    store: Store, strokes: Sequence[Hit], audio: Audio, parts: Sequence[Measures], *, mix: str
) -> list[MeasuredFile]:
    hit = next((s for s in strokes if s.session_source != "user"), strokes[0])
    size, mtime_ns = store.read("SELECT size, mtime_ns FROM hit WHERE id = ?", (hit.id,))[0]
    provenance = Provenance(
        hit.session, hit.drum, hit.microphone, hit.take, hit.note, 0, hit.session_source, hit.origin
    )
    provenance = with_mix(provenance, mix)
    chances = role_probabilities(np.stack([part.picture for part in parts]))
    named = next(((s.role, s.role_confidence) for s in strokes if s.role_source == "name"), None)
    return [
        MeasuredFile(
            hit.path, size, mtime_ns, hit.content_hash, audio.sr, audio.samples.shape[1],
            audio.container, audio.subtype, part, provenance, *combine_role(named, chance), chance,
            mate=hit.mate,
        )
        for part, chance in zip(parts, chances, strict=True)
    ]  # fmt: skip


def warn_of_mix(hit: Hit, mix: str) -> str:
    """Say how far a sum of a hit's channels cancels; "" where it does not."""
    if mix not in MIXES:
        return ""
    audio = decode_hit(hit)
    lost_db = cancellation_db(audio.samples, mix_channels(audio, mix).samples)
    if lost_db <= CANCEL_DB:
        return ""
    way = "try 'aligned', or one channel" if mix == "sum" else "take one channel"
    return f"the channels of {hit.name} cancel in this mix: {lost_db:.1f} dB are lost; {way}"

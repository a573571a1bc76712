"""One cut for all files of a take: what any of them holds as a stroke is cut in all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from catalog.errors import CatalogError
from catalog.features.onset import SILENCE
from catalog.features.takes.microphones import share_cut
from catalog.features.waveform import abs_peak
from catalog.library.scan.stereo_pairs import decode_sides
from catalog.library.store.database import path_from_db, path_to_db
from catalog.library.store.store import Store
from catalog.library.strokes.store_ties import tie_stored_strokes
from catalog.library.takes.overrides import FileOverride, FrameRanges, read_overrides
from catalog.library.takes.remeasure import measure_stored
from catalog.library.takes.take_files import TakeFile, find_takes

SHARED_REVISION = "shared_cut_revision"  # setting: revision of the store when takes were compared

SHARING = """
SELECT DISTINCT other.path, other.content_hash FROM hit own
JOIN microphone m ON m.hit_id = own.id JOIN microphone n ON n.stroke = m.stroke
JOIN hit other ON other.id = n.hit_id
WHERE own.path = ? AND other.path != ? AND other.region > 0 AND other.state = 'here'"""


def find_new_cuts(store: Store) -> dict[str, FileOverride]:
    """Return how files are to be cut whose strokes differ from those of their take, by path.

    Nothing is compared if the store has not changed since all takes were found to be alike.
    """
    if store.database.read_setting(SHARED_REVISION) == store.revision():
        return {}
    found: dict[str, FileOverride] = {}
    for take in find_takes(store):
        found |= _share(take)
    if not found:
        store.database.save_setting(SHARED_REVISION, store.revision())
    return found


def find_companions(store: Store, path: str) -> dict[str, FileOverride]:
    """Return the files that share strokes with one file and how they are cut, by path.

    These are known from the store, because another recording may have replaced the file by now.
    Files whose regions the user set are left out, and so are files of one stroke.
    """
    rows = store.database.read(SHARING, (path_to_db(Path(path)),) * 2)
    overrides = read_overrides(store)
    found = {path_from_db(p): overrides.get(content, FileOverride(content)) for p, content in rows}
    return {p: override for p, override in found.items() if override.regions is None}


def cut_take_alike(store: Store, path: Path) -> None:
    """Cut the other files of a take as the user cut one, and tie the microphones of its strokes.

    If the user's cut was discarded, the files are cut anew. Files that cannot be measured stay as
    they are; the next scan reports them.
    """
    take = _take_of(store, path)
    is_detected = all(file.override.regions is None for file in take)
    others = [file for file in take if file.path != path] if is_detected else []
    for file in others:
        _measure(store, file, file.override)
    take = _take_of(store, path) if others else take
    cuts = _share(take)
    for file in take:
        if str(file.path) in cuts:
            _measure(store, file, cuts[str(file.path)])
    sql = "SELECT 1 FROM hit WHERE path = ? AND state = 'here' AND channels != '' LIMIT 1"
    if take or store.database.read(sql, (path_to_db(path),)):
        tie_stored_strokes(store, always=True)


def _take_of(store: Store, path: Path) -> list[TakeFile]:
    return next((t for t in find_takes(store) if any(file.path == path for file in t)), [])


def _measure(store: Store, file: TakeFile, override: FileOverride) -> None:
    try:
        measured = measure_stored(store, file.hits, override)
    except (CatalogError, OSError):
        return
    with store.writing(), store.database.recording.paused():
        store.files.write_measured([measured])


def _share(take: Sequence[TakeFile]) -> dict[str, FileOverride]:
    """Return the new cut of each file of a take that is not cut like the others, by path.

    The cut of a file that the user cut is that of the take.
    """
    if not take:
        return {}
    given = next((file for file in take if file.override.regions is not None), None)
    if given is not None:
        cut = given.to_take(given.spans)
    else:
        spans, peaks = [file.to_take(file.spans) for file in take], [file.peaks for file in take]
        cut = share_cut(spans, peaks, sr=take[0].sr)
    found = {}
    for file in take:
        regions = file.to_file(cut)
        if file.override.regions is None and regions != file.spans:
            regions = _without_silence(file, regions)
            if regions and regions != file.spans:
                found[str(file.path)] = replace(file.override, regions=regions)
    return found


def _without_silence(file: TakeFile, regions: FrameRanges) -> FrameRanges:
    """Leave out the parts of a file that are digital silence; none are left if it is unreadable."""
    try:
        return tuple(span for span in regions if not _is_silent(file, span))
    except CatalogError:
        return ()


def _is_silent(file: TakeFile, span: tuple[int, int]) -> bool:
    start, stop = span
    if any(start < b and a < stop for a, b in file.spans):
        return False
    audio = decode_sides(file.path, file.hits[0].mate, start=start, stop=stop)
    return abs_peak(audio.samples) < SILENCE

"""The user's overrides for a whole file: the regions of its strokes and the mix of its channels.

They are stored by the file's content hash, so they stay in force when the file is moved or scanned
again.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from catalog.audio.channels import mix_channels
from catalog.audio.model import Audio
from catalog.errors import ParameterError
from catalog.features.measures import Measures
from catalog.library.metadata.filename import Provenance
from catalog.library.scan.stereo_pairs import decode_hit, decode_sides
from catalog.library.store.store import Store
from catalog.library.strokes.layout import find_microphones
from catalog.models import Hit

FrameRanges = tuple[tuple[int, int], ...]  # (start, stop) of each region, `stop` exclusive


@dataclass(frozen=True)
class FileOverride:
    """What the user set for files of one content."""

    content_hash: str
    regions: FrameRanges | None = None  # None where they are detected
    mix: str = ""  # see `catalog.audio.channels.mix_channels`; "" for the channels as recorded


def read_overrides(store: Store) -> dict[str, FileOverride]:
    """Return all overrides by the content hash of their file."""
    rows = store.database.read("SELECT content_hash, cut, mix FROM file_said")
    return {row[0]: override_from_row(*row) for row in rows}


def read_override(store: Store, content_hash: str) -> FileOverride:
    """Return the override of the file with this content; an empty one if there is none."""
    sql = "SELECT content_hash, cut, mix FROM file_said WHERE content_hash = ?"
    rows = store.database.read(sql, (content_hash,))
    return override_from_row(*rows[0]) if rows else FileOverride(content_hash)


def save_override(store: Store, override: FileOverride) -> None:
    """Store the override of a file in place of the one before."""
    regions = None if override.regions is None else json.dumps(override.regions)
    row = (override.content_hash, regions, override.mix)
    with store.writing(changes_hits=False) as db:
        if override == FileOverride(override.content_hash):
            db.execute("DELETE FROM file_said WHERE content_hash = ?", row[:1])
        else:
            db.execute("INSERT OR REPLACE INTO file_said VALUES (?, ?, ?)", row)


def override_from_row(content_hash: str, regions: str | None, mix: str | None) -> FileOverride:
    """Return the override of a row of `file_said`, given by its columns."""
    ranges = tuple((int(a), int(b)) for a, b in json.loads(regions)) if regions else None
    return FileOverride(content_hash, ranges, mix or "")


def measure_with_override(
    path: Path, override: FileOverride, *, mate: Path | None = None
) -> tuple[Audio, Measures]:
    """Decode a file, or two mono files of a pair, and measure it as the override defines.

    The audio is returned as recorded; of a long file only one frame. Raise `AudioError` if it
    cannot be decoded, and `ParameterError` if a region holds no stroke.
    """
    from catalog.features.measure import measure_segments, measure_take
    from catalog.library.takes.long_files import long_header, measure_long_file

    mix, regions = override.mix, override.regions
    if header := long_header(path):
        return measure_long_file(path, header=header, mate=mate, mix=mix, regions=regions)
    audio = decode_sides(path, mate)
    mixed = mix_channels(audio, mix)
    groups = () if mate is not None or mix else find_microphones(path, audio)
    if regions is None:
        return audio, measure_take(mixed, groups)
    return audio, measure_segments(mixed, regions, groups)


def find_regions(path: Path, *, mate: Path | None = None) -> FrameRanges:
    """Return start and stop of each stroke of a file, of a performance too; raises likewise."""
    from catalog.features.measure import measure_take
    from catalog.library.takes.long_files import long_header, measure_long_file

    if header := long_header(path):
        _, first = measure_long_file(path, header=header, mate=mate)
    else:
        audio = decode_sides(path, mate)
        groups = () if mate is not None else find_microphones(path, audio)
        first = measure_take(audio, groups, cut_loops=True)
    return tuple(sorted({(m.start, m.stop) for m in (first, *first.others)}))


def add_mix(provenance: Provenance, mix: str) -> Provenance:
    """Add how the channels are mixed to the metadata of a recording; "" removes it."""
    origin = {key: text for key, text in provenance.origin.items() if key != "mix"}
    return replace(provenance, origin={**origin, "mix": mix} if mix else origin)


def decode_mixed_hit(store: Store, hit: Hit) -> Audio:
    """Decode one hit, its channels mixed as the user chose for its file; see `decode_hit`."""
    audio = decode_hit(hit)
    stereo = audio.samples.shape[1] > 1 and not hit.channels
    mix = read_override(store, hit.content_hash).mix if stereo else ""
    return mix_channels(audio, mix)


def check_regions(regions: Sequence[tuple[int, int]], *, n_frames: int) -> FrameRanges:
    """Return regions in the order of time.

    Raise `ParameterError` if a region is empty, reaches beyond the file, or overlaps another.
    """
    ordered = tuple(sorted((int(start), int(stop)) for start, stop in regions))
    end = 0
    for start, stop in ordered:
        if start < end or stop <= start or stop > n_frames:
            raise ParameterError(
                f"region {start} to {stop} must lie within the file (0 to {n_frames} frames), hold"
                " at least one frame and overlap no other region"
            )
        end = stop
    return ordered

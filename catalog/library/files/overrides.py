"""What the user said of a whole file: where its strokes are cut, and how its channels are mixed.

Kept by the file's content, so that it holds when the file is moved or scanned anew.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from catalog.audio.channels import mix_channels
from catalog.audio.model import Audio
from catalog.errors import ParameterError
from catalog.features.measure import Measures, measure_cut, measure_take
from catalog.library.metadata.filename import Provenance
from catalog.library.scan.stereo_pairs import decode_hit, decode_sides
from catalog.library.store.database import Database
from catalog.models import Hit

Cut = tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class FileSaid:
    """The user's word on a file of one content; `cut` None and `mix` "" where nothing was said."""

    content_hash: str
    cut: Cut | None = None
    mix: str = ""


def read_said(store: Database) -> dict[str, FileSaid]:
    """Give what was said of files, by their content hash."""
    rows = store.read("SELECT content_hash, cut, mix FROM file_said")
    return {name: FileSaid(name, _to_cut(cut), mix or "") for name, cut, mix in rows}


def _to_cut(text: str | None) -> Cut | None:
    return tuple((int(a), int(b)) for a, b in json.loads(text)) if text else None


def keep_said(store: Database, said: FileSaid) -> None:
    """Keep what was said of a file; it takes the place of what was said before."""
    cut = None if said.cut is None else json.dumps(said.cut)
    with store.writing(changes_hits=False) as db:
        db.execute(
            "INSERT OR REPLACE INTO file_said VALUES (?, ?, ?)", (said.content_hash, cut, said.mix)
        )


def said_of(store: Database, content_hash: str) -> FileSaid:
    """Give what was said of the file with this content; nothing if nothing was."""
    rows = store.read("SELECT cut, mix FROM file_said WHERE content_hash = ?", (content_hash,))
    if not rows:
        return FileSaid(content_hash)
    cut, mix = rows[0]
    return FileSaid(content_hash, _to_cut(cut), mix or "")


def measure_said(path: Path, said: FileSaid, *, mate: Path | None = None) -> tuple[Audio, Measures]:
    """Decode and measure a file, or two sides of a recording, as the user cut and mixed it.

    Raises
    ------
    AudioError
        if it cannot be decoded
    ParameterError
        if a region holds no stroke
    """
    audio = decode_sides(path, mate)
    mixed = mix_channels(audio, said.mix)
    return audio, measure_take(mixed) if said.cut is None else measure_cut(mixed, said.cut)


def with_mix(provenance: Provenance, mix: str) -> Provenance:
    """Tell beside what the recorder wrote how the channels are mixed."""
    told = {key: text for key, text in provenance.origin.items() if key != "mix"}
    return replace(provenance, origin={**told, "mix": mix} if mix else told)


def read_mixed(store: Database, hit: Hit) -> Audio:
    """Decode one hit, its channels mixed as the user chose for its file.

    Raises
    ------
    AudioError
        if the file is gone or broken
    """
    audio = decode_hit(hit)
    mix = said_of(store, hit.content_hash).mix if audio.samples.shape[1] > 1 else ""
    return mix_channels(audio, mix)


def check_cut(cut: Sequence[tuple[int, int]], *, n_frames: int) -> Cut:
    """Give a cut in order.

    Raises
    ------
    ParameterError
        if a region is empty, reaches beyond the file, or overlaps another
    """
    ordered = tuple(sorted((int(start), int(stop)) for start, stop in cut))
    last = 0
    for start, stop in ordered:
        if start < last or stop <= start or stop > n_frames:
            raise ParameterError(
                f"region {start} to {stop} must lie within the file (0 to {n_frames} frames), hold"
                " at least one frame and overlap no other region"
            )
        last = stop
    return ordered

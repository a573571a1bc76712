"""Measure files again whose strokes the store holds already."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from catalog.audio.model import Audio
from catalog.errors import StoreError
from catalog.features.measures import Measures
from catalog.library.metadata.filename import Provenance, find_provenance
from catalog.library.metadata.role_model import role_probabilities
from catalog.library.metadata.roles import combine_role, role_from_name
from catalog.library.scan.folders import root_of
from catalog.library.scan.walk import SCAN_AGAIN, hash_file
from catalog.library.store.ingest import FoundFile, MeasuredFile
from catalog.library.store.store import Store
from catalog.library.takes.overrides import FileOverride, add_mix, measure_with_override
from catalog.models import Hit


def measure_stored(store: Store, strokes: Sequence[Hit], override: FileOverride) -> MeasuredFile:
    """Measure the file of some stored strokes as an override defines it.

    Raise `StoreError` if the file has changed since it was scanned.
    """
    path, mate = strokes[0].path, strokes[0].mate
    audio, measures = measure_with_override(path, override, mate=mate)
    if hash_file(path, mate) != override.content_hash:
        raise StoreError(f"{path}: has changed since it was scanned; {SCAN_AGAIN}")
    return _to_measured(store, strokes, audio, measures, mix=override.mix)


def _to_measured(
    store: Store, strokes: Sequence[Hit], audio: Audio, measures: Measures, *, mix: str
) -> MeasuredFile:
    """Return the record that a scan would make of the file, with what is known of its strokes."""
    hit = next((s for s in strokes if s.session_source != "user"), strokes[0])
    sql = "SELECT size, mtime_ns, microphone FROM hit WHERE id = ?"
    size, mtime_ns, microphone = store.database.read(sql, (hit.id,))[0]
    microphone = "" if hit.channels else microphone  # else that of each measured stroke
    root = root_of(store, hit.path)
    drum = find_provenance(hit.path, root=root, mate=hit.mate).drum
    recorded = Provenance(
        hit.session, drum, microphone, hit.take, hit.note, 0, hit.session_source, hit.origin
    )
    segments = (measures, *measures.others)
    probabilities = role_probabilities(np.stack([segment.embedding for segment in segments]))
    named = role_from_name(hit.path, root=root)  # a stroke may have a role by its track
    return MeasuredFile(
        file=FoundFile(str(hit.path), "", size, mtime_ns, str(hit.mate or "")),
        content_hash=hit.content_hash,
        sr=audio.sr,
        n_channels=audio.samples.shape[1],
        container=audio.container,
        subtype=audio.subtype,
        provenance=add_mix(recorded, mix),
        strokes=segments,
        roles=tuple(combine_role(named, row) for row in probabilities),
        role_probabilities=probabilities,
    )

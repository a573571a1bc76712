"""What prevents the export of a kit: hits marked no good, and recordings that have changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from catalog.kit.export.microphones import MicrophoneExport
from catalog.kit.model import Kit
from catalog.library.scan.walk import SCAN_AGAIN, hash_file
from catalog.models import Hit, Mark


def all_hits(used: MicrophoneExport) -> list[Hit]:
    """Return all hits of an export, with those that are mixed into others."""
    return [*used.hits.values(), *(part for parts in used.parts.values() for part in parts)]


def no_good_lines(kit: Kit, hits: Mapping[int, Hit]) -> list[str]:
    """Return a line for each hit of a kit that is marked no good."""
    return [
        f"slot {slot}: hit {hit_id} ({hits[hit_id].name}) is marked no good; take another hit, or"
        " export it with no_good=True (--no-good)"
        for slot, ids in kit.slots.items()
        for hit_id in ids
        if hits[hit_id].mark == Mark.NO_GOOD
    ]


def changed_files(hits: Sequence[Hit]) -> list[str]:
    """Return a line for each recording that has changed since it was scanned."""
    files = {hit.files: hit.content_hash for hit in hits}
    return [
        f"{paths[0].name}: has changed since it was scanned; {SCAN_AGAIN}"
        for paths, content_hash in files.items()
        if all(path.is_file() for path in paths) and hash_file(*paths) != content_hash
    ]

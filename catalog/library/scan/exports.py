"""Exported kits in scanned folders: recognized by their manifest, verified by their contents.

A manifest can be wrong or forged. It therefore only leaves out files that are named as an export
names them and whose SHA-256 it states, and every folder of such files is reported.
"""

from __future__ import annotations

import json
import os
import re
import stat
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from catalog.library.scan.walk import MANIFEST, hash_file
from catalog.library.store.ingest import FoundFile
from catalog.library.store.records.exports import LeftOutFile
from catalog.library.store.store import Store
from catalog.reports import LeftOut

MAX_MANIFEST_BYTES = 1 << 24  # a row has about 1 kB; a kit has far fewer than 16,000 files
STROKE_NAME = re.compile(r"hits/\d{3}_[a-z0-9_]+_layer\d{2,}_rr\d+\.(wav|flac)", re.ASCII)
PHRASE_NAMES = ("phrase.wav", "phrase.flac")
UNSTATED = ""  # in place of a SHA-256: manifests of older exports do not list the phrase


@dataclass(frozen=True)
class ExportManifest:
    """What the manifest of an exported kit states."""

    folder: str
    kit: str
    sha256: Mapping[str, str]  # by absolute path

    @property
    def stated(self) -> set[str]:
        """Every SHA-256 that the manifest states."""
        return set(self.sha256.values()) - {UNSTATED}


def read_manifest(path: str | Path) -> ExportManifest | None:
    """Read the manifest of an export; return None if the file is missing or something else."""
    try:
        status = os.stat(path)
        if not stat.S_ISREG(status.st_mode) or status.st_size > MAX_MANIFEST_BYTES:
            return None
        parts = json.loads(Path(path).read_bytes())
        folder, kit = os.path.dirname(path), str(parts["kit"])
        stated = dict(_stated_files(parts)) if parts["manifest_version"] else {}
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None
    paths = {os.path.join(folder, *name.split("/")): digest for name, digest in stated.items()}
    return ExportManifest(folder, kit, paths) if paths else None


def _stated_files(parts: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield name and SHA-256 of each audio file, "/" between the parts of the name."""
    for row in parts["files"]:
        if STROKE_NAME.fullmatch(row["file"]) and row["sha256"] != row["source_sha256"]:
            yield row["file"], str(row["sha256"])
    phrase = parts.get("phrase")
    if phrase is None:
        yield from ((name, UNSTATED) for name in PHRASE_NAMES)
    elif phrase["file"] in PHRASE_NAMES:
        yield phrase["file"], str(phrase["sha256"])


def select_left_out(
    store: Store, manifests: Iterable[str], files: Sequence[FoundFile]
) -> dict[str, LeftOut]:
    """Select the files of exported kits among those that a scan would measure.

    Parameters
    ----------
    store : Store
        their contents are recorded as exported, so that they are never kept as an original
    manifests : iterable of str, paths of files named `MANIFEST`
    files : sequence of FoundFile

    Returns
    -------
    dict of path of a file to the report on its folder
    """
    found = {file.path: file for file in files if not file.mate}
    known, fresh = store.exports.read_left_out(), list[LeftOutFile]()
    selected: dict[str, LeftOut] = {}
    kits: dict[str, str] = {}
    for manifest in filter(None, map(read_manifest, sorted(set(manifests)))):
        verified = _verify_files(manifest, found, known)
        kits |= {file.sha256: manifest.kit for file in verified}
        fresh += [file for file in verified if file != known.get(file.path)]
        selected |= dict.fromkeys((file.path for file in verified), _report(manifest, verified))
    store.exports.record(kits)
    store.exports.replace_left_out([p for p in known if p in found and p not in selected], fresh)
    return selected


def _verify_files(
    manifest: ExportManifest, found: Mapping[str, FoundFile], known: Mapping[str, LeftOutFile]
) -> list[LeftOutFile]:
    """Return the files that hold what the manifest states; without one it is no export."""
    verified, unstated = [], []
    for path in sorted(manifest.sha256.keys() & found.keys()):
        file, expected = found[path], manifest.sha256[path]
        row = known.get(path)
        if row is None or (row.size, row.mtime_ns) != (file.size, file.mtime_ns):
            row = LeftOutFile(path, file.size, file.mtime_ns, _hash_or_empty(path))
        if expected == UNSTATED:
            unstated.append(row)
        elif row.sha256 == expected:
            verified.append(row)
    return verified + unstated if verified else []


def _hash_or_empty(path: str) -> str:
    try:
        return hash_file(path)
    except OSError:  # the worker that measures it reports the fault
        return ""


def _report(manifest: ExportManifest, files: Sequence[LeftOutFile]) -> LeftOut:
    reason = (
        f"{MANIFEST} lists them as the exported kit “{manifest.kit}”; add --exports (in Python "
        "exports=True) to scan them"
    )
    return LeftOut(Path(manifest.folder), manifest.kit, len(files), reason)


def record_export(store: Store, folder: Path) -> None:
    """Record the contents of the files of a new export, which are copies of other recordings."""
    if manifest := read_manifest(folder / MANIFEST):
        store.exports.record(dict.fromkeys(manifest.stated, manifest.kit))


def record_exported_hits(store: Store) -> None:
    """Record which present hits are files of exported kits, by the manifests beside them."""
    manifests: dict[str, ExportManifest | None] = {}
    stated: dict[str, str] = {}
    unstated: list[tuple[str, ExportManifest]] = []
    for path in store.exports.unrecorded_paths():
        manifest = _manifest_of(path, manifests)
        expected = manifest.sha256.get(path) if manifest is not None else None
        for content_hash in store.hits.content_hashes_at(path) if expected is not None else ():
            if manifest is not None and expected == UNSTATED:
                unstated.append((content_hash, manifest))
            elif manifest is not None and expected == content_hash:
                stated[content_hash] = manifest.kit
    store.exports.record(stated)
    phrases = {digest: m.kit for digest, m in unstated if any(map(store.exports.kit_of, m.stated))}
    store.exports.record(phrases)


def _manifest_of(path: str, known: dict[str, ExportManifest | None]) -> ExportManifest | None:
    """Return the manifest of the export that a file would belong to; each is read once."""
    parent = os.path.dirname(path)
    folder = parent if os.path.basename(path) in PHRASE_NAMES else os.path.dirname(parent)
    if folder not in known:
        known[folder] = read_manifest(os.path.join(folder, MANIFEST))
    return known[folder]

"""A scanned library and a snapshot of its files."""

from __future__ import annotations

from pathlib import Path

import pytest

from catalog.library.scan.scanner import scan_folders
from catalog.library.store.store import Store


@pytest.fixture
def scanned(store: Store, library: Path) -> Store:
    scan_folders(store, [library], n_jobs=1)
    return store


def snapshot(folder: Path) -> dict[Path, tuple[bytes, int]]:
    """Return bytes and modification time (ns) of every file below a folder."""
    files = (path for path in folder.rglob("*") if path.is_file())
    return {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in files}

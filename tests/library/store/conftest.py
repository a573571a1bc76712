"""A store with the scanned hits of the library."""

from __future__ import annotations

from pathlib import Path

import pytest

from catalog.library.scan.scanner import scan_folders
from catalog.library.store.store import Store


@pytest.fixture
def scanned(store: Store, library: Path) -> Store:
    scan_folders(store, [library], n_jobs=1)
    return store

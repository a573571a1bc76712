"""The folders that were scanned, newest first, and whether each scan was completed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from catalog.library.store.database import now_utc
from catalog.library.store.store import Store

MAX_FOLDERS = 12  # a list to choose from; the oldest are dropped beyond it
FOLDERS = "folders"  # setting


class ScannedFolder(NamedTuple):
    """A folder that was scanned."""

    path: str  # absolute
    time_utc: str  # when its last scan began or ended
    finished: bool  # False if the scan was stopped or died


def record_folders(store: Store, roots: Sequence[str], *, finished: bool) -> None:
    """Record that a scan of some folders begins, or that it is complete."""
    new = [ScannedFolder(root, now_utc(), finished) for root in roots]
    with store.writing(changes_hits=False):
        known = [folder for folder in scanned_folders(store) if folder.path not in roots]
        store.database.save_setting(FOLDERS, [*new, *known][:MAX_FOLDERS])


def scanned_folders(store: Store) -> list[ScannedFolder]:
    """Return the folders that were scanned, the last first."""
    return [ScannedFolder(*row) for row in store.database.read_setting(FOLDERS, [])]


def root_of(store: Store, path: Path) -> str:
    """Return the scanned folder that a file is in, or else the folder of the file."""
    roots = [folder.path for folder in scanned_folders(store)]
    return next((root for root in roots if path.is_relative_to(root)), str(path.parent))

"""The folders that were scanned, newest first, and whether each scan was completed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from catalog.library.store.database import now_utc
from catalog.library.store.store import Store

MAX_FOLDERS = 12  # a list to choose from; the oldest are dropped beyond it
FOLDERS = "folders"  # setting


class ScannedFolder(NamedTuple):
    """A folder that was scanned.

    Attributes
    ----------
    path : str, absolute
    time_utc : str, when the last scan began
    finished : bool, False if the scan was stopped or died
    """

    path: str
    time_utc: str
    finished: bool


def begin_folders(store: Store, roots: Sequence[str]) -> None:
    """Record that a scan of some folders begins."""
    _write(store, [ScannedFolder(root, now_utc(), False) for root in roots])


def finish_folders(store: Store, roots: Sequence[str]) -> None:
    """Record that a scan of some folders is complete."""
    _write(store, [ScannedFolder(root, now_utc(), True) for root in roots])


def scanned_folders(store: Store) -> list[ScannedFolder]:
    """Return the folders that were scanned, the last first."""
    return [ScannedFolder(*row) for row in store.database.read_setting(FOLDERS, [])]


def _write(store: Store, new: Sequence[ScannedFolder]) -> None:
    paths = {folder.path for folder in new}
    with store.writing(changes_hits=False):
        known = [folder for folder in scanned_folders(store) if folder.path not in paths]
        store.database.save_setting(FOLDERS, [*new, *known][:MAX_FOLDERS])

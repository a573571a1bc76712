"""Lost, empty or damaged stores: refuse to replace one in silence, and rename a damaged one."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

from catalog.errors import StoreArgumentError, StoreError
from catalog.library.backup.backup_files import TIME_FORMAT, describe_newest
from catalog.library.files.aside_journal import check_no_files_aside
from catalog.library.files.atomic import rename_noreplace
from catalog.library.integrity.health import read_structure
from catalog.library.store.connection import DAMAGED
from catalog.library.store.store import Store

BY_USER = ("hit", "kit", "verdict", "event")  # a store without rows in these is empty
ENDS = ("", "-wal", "-shm")  # of the files of one store


def check_nothing_lost(path: Path) -> None:
    """Raise `StoreError` if a store would be created, or is empty, where one has been before."""
    if found := describe_newest(path):
        raise StoreArgumentError(
            f"{path}: holds no hits, but {found} (new_store=True and `scans.recover()` in Python), "
            "with the files that are set aside. `--new-store` starts without it"
        )
    check_no_files_aside(path)


def is_empty(store: Store) -> bool:
    """Return whether a store holds no hits and nothing of the user."""
    sql = "SELECT 1 FROM {} LIMIT 1"
    return not any(store.database.read(sql.format(table)) for table in BY_USER)


def move_damaged_store(path: Path) -> Path | None:
    """Rename a store whose file is damaged, so that a new one can take its place.

    Return its new path; None if there is no such file or its structure is whole. Raise
    `StoreError` if it cannot be opened for another reason.
    """
    if not path.exists():
        return None
    try:
        with Store.open(path) as store:
            if not read_structure(store.database):
                return None
    except StoreError as err:
        if DAMAGED not in str(err):
            raise
    now = datetime.now(UTC).strftime(TIME_FORMAT)
    target = path.with_name(f"{path.name}.damaged-{now}")
    for end in ENDS:
        if os.path.lexists(f"{path}{end}"):
            rename_noreplace(Path(f"{path}{end}"), Path(f"{target}{end}"))
    return target

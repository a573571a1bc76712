"""The volume that the file of each hit was on when it was set aside."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from catalog.errors import StoreError
from catalog.library.files.volumes import Volume, find_volume, is_other_volume
from catalog.library.store.database import path_from_db, path_to_db
from catalog.library.store.store import Store


def write_home_volume(db: sqlite3.Connection, hit_id: int, home: Path) -> None:
    """Store the volume of a file that is about to be set aside."""
    volume = find_volume(home)
    row = (hit_id, path_to_db(volume.mount_point), volume.uuid)
    db.execute("INSERT OR REPLACE INTO home_volume VALUES (?, ?, ?)", row)


def check_home_volume(store: Store, hit_id: int, home: Path) -> None:
    """Raise `StoreError` if `home` is not on the volume that the file was set aside from.

    Files that an earlier version set aside have no stored volume; they pass.
    """
    sql = (
        "SELECT DISTINCT mount_point, uuid FROM home_volume WHERE hit_id IN (SELECT other.id FROM"
        " hit JOIN hit other ON other.aside = hit.aside WHERE hit.id = ?)"
    )
    for mount_point, uuid in store.database.read(sql, (hit_id,)):
        before, now = Volume(path_from_db(mount_point), uuid), find_volume(home)
        if not is_other_volume(now, before):
            continue
        if now.mount_point == before.mount_point:
            what = f"another disk is mounted at {before.mount_point} than when it was set aside"
        else:
            what = f"the disk that was mounted at {before.mount_point} is not mounted there"
        raise StoreError(
            f"{home}: {what}, so the file stays where it is; connect that disk and restore hit "
            f"{hit_id} again. If the folder has moved to another disk for good, use `catalog "
            f"restore {hit_id} --other-disk`"
        )

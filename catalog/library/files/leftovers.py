"""Hidden folders that an export left because its process was killed.

Each holds a marker with the process that writes it. Only a folder with such a marker is deleted,
and only when that process has ended. The store lists the exports that are under way, so that the
next start finds their folders; the next export beside them finds them too.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from catalog.errors import StoreError
from catalog.library.store.store import Store

MARKER = ".unfinished-export"  # file in each folder
NAMES = ".*.unfinished-*"  # of the folders
UNDER_WAY = "exports_under_way"  # setting: [folder, writer] of each
MAX_UNDER_WAY = 50  # folders on disks that are not connected stay listed, but not forever
MAX_MARKER_BYTES = 4096


class Writer(NamedTuple):
    """A process that writes an export."""

    host: str
    pid: int
    started_s: float  # Unix time; another process may get the same number later

    def has_ended(self) -> bool:
        """Return whether the process certainly has ended; one of another machine may not have."""
        import psutil  # takes 25 ms

        if self.host != platform.node():
            return False
        try:
            return abs(psutil.Process(self.pid).create_time() - self.started_s) > 1.0
        except psutil.NoSuchProcess:
            return True
        except psutil.Error:  # of another user
            return False


def this_process() -> Writer:
    """Return the present process."""
    import psutil

    return Writer(platform.node(), os.getpid(), psutil.Process().create_time())


def write_marker(folder: Path) -> None:
    """Mark a new folder as one that this process may delete later."""
    text = json.dumps({"made by": "catalog, for an unfinished export", "writer": this_process()})
    (folder / MARKER).write_text(text, encoding="utf-8")


def clear_leftovers(parent: Path) -> None:
    """Delete the folders below `parent` that exports of ended processes left."""
    for folder in parent.glob(NAMES):
        writer = _read_writer(folder)
        if writer is not None and writer.has_ended():
            shutil.rmtree(folder, ignore_errors=True)


@contextlib.contextmanager
def export_under_way(store: Store, target: Path) -> Iterator[None]:
    """List an export in the store while it is written, if the store can be written."""
    row = [os.path.abspath(target.parent), list(this_process())]
    with contextlib.suppress(StoreError), store.writing(changes_hits=False):
        store.database.save_setting(UNDER_WAY, [row, *_read_rows(store)][:MAX_UNDER_WAY])
    try:
        yield
    finally:
        with contextlib.suppress(StoreError), store.writing(changes_hits=False):
            kept = [other for other in _read_rows(store) if other != row]
            store.database.save_setting(UNDER_WAY, kept)


def clear_listed_leftovers(store: Store) -> None:
    """Delete what exports of ended processes left; folders that cannot be reached stay listed."""
    rows = _read_rows(store)
    done = [row for row in rows if Writer(*row[1]).has_ended() and os.path.isdir(row[0])]
    for folder in {row[0] for row in done}:
        with contextlib.suppress(OSError):
            clear_leftovers(Path(folder))
    if done:
        with contextlib.suppress(StoreError), store.writing(changes_hits=False):
            kept = [row for row in _read_rows(store) if row not in done]
            store.database.save_setting(UNDER_WAY, kept)


def _read_rows(store: Store) -> list[list[Any]]:
    return list(store.database.read_setting(UNDER_WAY, []))


def _read_writer(folder: Path) -> Writer | None:
    """Return who writes a folder; None if it holds no marker, or one that cannot be read."""
    marker = folder / MARKER
    try:
        if folder.is_symlink() or marker.is_symlink() or marker.stat().st_size > MAX_MARKER_BYTES:
            return None
        host, pid, started_s = json.loads(marker.read_text("utf-8"))["writer"]
        return Writer(str(host), int(pid), float(started_s))
    except (OSError, ValueError, KeyError, TypeError):
        return None

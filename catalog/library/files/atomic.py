"""Write files and folders beside their target and rename them into place once they are complete."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from catalog.interrupts import uninterrupted
from catalog.library.files.leftovers import clear_leftovers, write_marker

MAX_PREFIX = 40  # characters of the target's name; file systems allow 255 bytes in all
HAS_RENAMEAT2 = sys.platform == "linux"
AT_FDCWD, RENAME_NOREPLACE = -100, 1  # linux/fcntl.h and linux/fs.h
HELD_ERRORS = (5, 32)  # ERROR_ACCESS_DENIED and ERROR_SHARING_VIOLATION of Windows
HELD_S = (0.05, 0.1, 0.2, 0.4)  # waited before each further try
MAX_LEVELS = 500  # of folders; Python creates them by recursion, of at most 1,000 calls


@contextlib.contextmanager
def staging_folder(target: Path) -> Iterator[Path]:
    """Give a hidden folder beside `target`; it is removed at the end with what is still in it.

    Folders that killed processes left beside it are deleted first.
    """
    if len(target.parts) > MAX_LEVELS:
        raise OSError(errno.ENAMETOOLONG, os.strerror(errno.ENAMETOOLONG), str(target))
    target.parent.mkdir(parents=True, exist_ok=True)
    clear_leftovers(target.parent)
    prefix = f".{target.name[:MAX_PREFIX]}.unfinished-"
    folder = None
    try:
        with uninterrupted():
            folder = tempfile.TemporaryDirectory(
                prefix=prefix, dir=target.parent, ignore_cleanup_errors=True
            )
        write_marker(Path(folder.name))
        yield Path(folder.name)
    finally:
        with uninterrupted():
            if folder is not None:
                folder.cleanup()


def write_synced(path: Path, data: bytes) -> None:
    """Write a new file, in a folder that is created if needed, and flush it to the disk."""
    path.parent.mkdir(exist_ok=True)
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def write_new_file(target: Path, data: bytes) -> None:
    """Write a new file beside its target, read it back, then rename it into place.

    Raise `FileExistsError` if the target exists, and `OSError` if the file cannot be written or
    differs when read back; nothing is left of it then.
    """
    if os.path.lexists(target):
        raise FileExistsError(f"{target} exists")
    with staging_folder(target) as staging:
        written = staging / "file"
        write_synced(written, data)
        if written.read_bytes() != data:
            raise OSError(errno.EIO, "differs when read back; the disk may be failing")
        rename_into_place(written, target)


def rename_into_place(finished: Path, target: Path) -> None:
    """Rename a finished file or folder to its target and flush the names to the disk.

    Raise `FileExistsError` if the target exists; it is never overwritten.
    """
    for path in (finished, *finished.rglob("*")) if finished.is_dir() else ():
        if path.is_dir():
            sync_folder(path)
    try:
        rename_noreplace(finished, target)
    except FileExistsError:
        raise
    except OSError:  # a network disk may report an error for a rename that it has made
        if os.path.lexists(finished) or not os.path.lexists(target):
            raise
    sync_folder(target.parent)


def rename_noreplace(source: Path, target: Path) -> None:
    """Rename in one call that raises `FileExistsError`; without such a call, check first.

    References
    ----------
    RENAME_NOREPLACE of renameat2(2), Linux manual pages; `os.rename` of the Python library
    reference: on Windows it fails where the target exists.
    """
    call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None) if HAS_RENAMEAT2 else None
    if call is not None:
        names = os.fsencode(source), os.fsencode(target)
        if call(AT_FDCWD, names[0], AT_FDCWD, names[1], RENAME_NOREPLACE) == 0:
            return
        if ctypes.get_errno() == errno.EEXIST:
            raise FileExistsError(f"{target} exists")
    if os.path.lexists(target):  # a kernel or file system without that flag
        raise FileExistsError(f"{target} exists")
    _retried(partial(os.rename, source, target))


def _retried(rename: Callable[[], None]) -> None:
    """Rename once more, a few times, where another program holds what is renamed.

    On Windows virus scanners and indexes hold each new file for a moment.
    """
    for wait_s in HELD_S:
        try:
            return rename()
        except PermissionError as err:
            if getattr(err, "winerror", None) not in HELD_ERRORS:
                raise
            time.sleep(wait_s)
    return rename()


def sync_folder(folder: Path) -> None:
    """Flush the names in a folder to the disk, where the system supports it."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError:  # not supported by some network file systems; the rename was done
        pass
    finally:
        os.close(handle)

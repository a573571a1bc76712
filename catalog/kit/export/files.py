"""Files that are whole or not there: written to the disk, read again, renamed at the end."""

from __future__ import annotations

import hashlib
import os
import zipfile
from pathlib import Path

from catalog.errors import KitError

ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # the earliest the format knows: equal kits give equal bytes


def write_checked(path: Path, data: bytes) -> None:
    """Write a new file down to the disk and read it again.

    Raises
    ------
    KitError
        if other bytes come back
    """
    write_synced(path, data)
    if path.read_bytes() != data:
        raise KitError(f"{path.name} did not read back")


def write_synced(path: Path, data: bytes) -> None:
    """Write a new file and wait until the disk has it."""
    path.parent.mkdir(exist_ok=True)
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def pack_zip(folder: Path, target: Path, *, name: str) -> None:
    """Pack a finished folder into one zip, and read every part of it again.

    Parameters
    ----------
    folder : Path
    target : Path, the new file
    name : str, of the folder within the zip

    Raises
    ------
    KitError
        if a part does not come back as it was
    """
    paths = sorted(path for path in folder.rglob("*") if path.is_file())
    with target.open("xb") as file:
        with zipfile.ZipFile(file, "w") as pack:
            for path in paths:
                part = zipfile.ZipInfo(f"{name}/{path.relative_to(folder).as_posix()}", ZIP_TIME)
                part.compress_type, part.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
                pack.writestr(part, path.read_bytes())
        file.flush()
        os.fsync(file.fileno())
    with zipfile.ZipFile(target) as pack:
        for path, part in zip(paths, pack.infolist(), strict=True):
            if _digest(pack.read(part)) != _digest(path.read_bytes()):
                raise KitError(f"{part.filename} did not read back from the zip")


def _digest(data: bytes) -> bytes:
    return hashlib.sha256(data).digest()


def move_into_place(made: Path, place: Path) -> None:
    """Rename what is finished; what appeared at its place meanwhile is not touched.

    Raises
    ------
    KitError
        if something is there
    """
    for path in (made, *made.rglob("*")) if made.is_dir() else ():
        if path.is_dir():
            _sync_folder(path)
    if os.path.lexists(place):
        raise KitError(f"{place} appeared meanwhile; choose a new name, nothing was overwritten")
    os.rename(made, place)
    _sync_folder(place.parent)


def _sync_folder(path: Path) -> None:
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

"""A plain record, in the folder of files set aside, of where each file came from.

`journal.jsonl` has one JSON object a line and can be read without this program. It is written
before and after each move and flushed to the disk, so that files can be put back when the store is
lost; see `catalog.library.backup.recover`.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from catalog.errors import StoreArgumentError
from catalog.library.files.atomic import sync_folder
from catalog.library.store.database import now_utc

JOURNAL_NAME = "journal.jsonl"
BEGUN, DONE = "begun", "done"


@dataclass(frozen=True)
class AsideEntry:
    """One line of the journal."""

    action: str  # as in the history
    phase: str  # `BEGUN` or `DONE`
    hit_id: int
    home: Path  # where the file was found
    aside: str  # path below the folder of files set aside
    content_hash: str
    reason: str
    size: int = -1  # bytes; -1 if unknown
    mtime_ns: int = -1
    time_utc: str = ""


def append_entry(folder: Path, entry: AsideEntry) -> None:
    """Append a line and flush it to the disk; raise `OSError` if it cannot be written."""
    folder.mkdir(parents=True, exist_ok=True)
    place = folder / JOURNAL_NAME
    is_new = not place.exists()
    values = {
        "time_utc": now_utc(), "action": entry.action, "phase": entry.phase, "hit": entry.hit_id,
        **_encode("original_path", os.fspath(entry.home)), **_encode("aside_path", entry.aside),
        "sha256": entry.content_hash, "size": entry.size, "mtime_ns": entry.mtime_ns,
        "reason": entry.reason,
    }  # fmt: skip
    line = json.dumps(values, ensure_ascii=False).encode("utf-8", "backslashreplace")
    _check_regular(place)
    with place.open("ab+") as file:
        file.seek(0, os.SEEK_END)
        if file.tell():
            file.seek(-1, os.SEEK_END)
            if file.read(1) != b"\n":  # the line before was cut off
                line = b"\n" + line
        file.write(line + b"\n")
        file.flush()
        os.fsync(file.fileno())
    if is_new:
        sync_folder(folder)


def append_done(folder: Path, entry: AsideEntry) -> None:
    """Append that a move is complete; where that fails, the place of the file shows it."""
    with contextlib.suppress(OSError):
        append_entry(folder, entry)


def read_entries(folder: Path) -> dict[str, AsideEntry]:
    """Return the last line about each path below the folder; lines that are damaged are left out.

    Raise `OSError` if the file exists and cannot be read.
    """
    try:
        _check_regular(folder / JOURNAL_NAME)
        data = (folder / JOURNAL_NAME).read_bytes()
    except FileNotFoundError:
        return {}
    return {entry.aside: entry for entry in _parse(data)}


def list_files(folder: Path) -> list[str]:
    """Return the paths of all files set aside below a folder, without the journal, sorted."""
    found = []
    for parent, _, names in os.walk(folder):
        below = [os.path.relpath(os.path.join(parent, name), folder) for name in names]
        found += [name for name in below if name != JOURNAL_NAME and not name.endswith(".part")]
    return sorted(name.replace(os.sep, "/") for name in found)


def check_no_files_aside(path: Path) -> None:
    """Raise `StoreError` if a store would be created, or is empty, beside files set aside."""
    folder = path.with_name(path.name + ".aside")
    if folder.is_dir() and (names := list_files(folder)):
        raise StoreArgumentError(
            f"{path}: holds no hits, but {len(names)} files are set aside in {folder}; "
            "`catalog recover` (new_store=True and `files.recover()` in Python) puts them into the "
            "store again, `--new-store` starts without them"
        )


def _check_regular(path: Path) -> None:
    """Raise `OSError` if a path exists and is a link, a pipe or a device, which may never end."""
    if os.path.lexists(path) and not stat.S_ISREG(os.lstat(path).st_mode):
        raise OSError(errno.EINVAL, "is no ordinary file; remove it", os.fspath(path))


def _encode(key: str, path: str) -> dict[str, str]:
    """Return a path as text, and as hexadecimal bytes if it is not valid text."""
    try:
        path.encode()
    except UnicodeEncodeError:
        raw = os.fsencode(path)
        return {key: raw.decode("utf-8", "backslashreplace"), f"{key}_bytes": raw.hex()}
    return {key: path}


def _decode(values: dict[str, str], key: str) -> str:
    raw = values.get(f"{key}_bytes")
    return os.fsdecode(bytes.fromhex(raw)) if raw is not None else values[key]


def _parse(data: bytes) -> Iterator[AsideEntry]:
    for line in data.splitlines():
        with contextlib.suppress(
            ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError
        ):
            values = json.loads(line)
            yield AsideEntry(
                str(values["action"]), str(values["phase"]), int(values["hit"]),
                Path(_decode(values, "original_path")), _decode(values, "aside_path"),
                str(values["sha256"]), str(values["reason"]), int(values["size"]),
                int(values["mtime_ns"]), str(values["time_utc"]),
            )  # fmt: skip

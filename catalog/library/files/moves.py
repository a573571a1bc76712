"""The only module that links, renames or removes sound files of the user.

At every moment a file is complete under its old name or its new one, and no existing file is
overwritten. `catalog.library.files.journal` records which move was under way.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path

from catalog.library.files.atomic import rename_noreplace, sync_folder
from catalog.library.scan.walk import hash_file


def move_file(source: Path, target: Path, *, content_hash: str) -> None:
    """Move a file to a free path.

    Within one file system the file gets a second name, then loses the first; elsewhere it is
    copied. The file at `target` is verified before the original is removed.

    Parameters
    ----------
    source, target : Path; the folder of `target` is created if needed
    content_hash : str, hex SHA-256 of the file

    Raises
    ------
    FileExistsError
        if `target` exists; the source is untouched
    OSError
        if it is not possible; the source is untouched and `target` is free again
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    before = os.lstat(source)
    if not _link(source, target):
        _copy_verified(source, target, content_hash)
    sync_folder(target.parent)
    if not _is_whole(target, content_hash):  # saved since the caller compared the content
        if os.path.lexists(source):  # else the target is the only name left
            os.unlink(target)
        raise OSError("another program changed it; scan its folder again")
    _remove_source(source, target, before)
    sync_folder(source.parent)


def complete_move(source: Path, target: Path, *, content_hash: str) -> bool:
    """Complete a move that was interrupted, if its target holds the whole file.

    Parameters
    ----------
    source, target, content_hash : as in `move_file`

    Returns
    -------
    bool
        True if the file is now at `target` alone; False if the move must count as not made

    Raises
    ------
    OSError
        if the file cannot be removed from `source`; it is removed from `target` if possible, and
        the move must count as not made
    """
    with contextlib.suppress(OSError):  # usually there is none
        _part_path(target, content_hash).unlink()
    if not _is_whole(target, content_hash):
        return False
    with contextlib.suppress(FileNotFoundError):
        before = os.lstat(source)
        if _is_whole(source, content_hash):
            _remove_source(source, target, before)
    return not os.path.lexists(source)


def remove_if_empty(folder: Path) -> None:
    """Remove a folder if nothing is in it."""
    with contextlib.suppress(OSError):  # not empty, which is the usual case
        folder.rmdir()


def _remove_source(source: Path, target: Path, before: os.stat_result) -> None:
    """Remove the old name of a file that has its new one, or else the new name.

    The old name stays if it belongs to another file than `before`: editors save by renaming a new
    file over the old one. No system call compares and removes in one step, so a replacement within
    the few microseconds between the two calls is not noticed.
    """
    try:
        if not os.path.samestat(os.lstat(source), before):
            raise OSError("another program replaced it while it was moved")
        os.unlink(source)
    except OSError:
        if os.path.lexists(source):  # else the target is the only name left
            os.unlink(target)
        raise


def _part_path(target: Path, content_hash: str) -> Path:
    """Return where the copy is written; hidden, so that no scan picks it up."""
    return target.parent / f".{content_hash[:24]}.part"


def _is_whole(path: Path, content_hash: str) -> bool:
    try:
        return hash_file(path) == content_hash
    except OSError:
        return False


def _copy_verified(source: Path, target: Path, content_hash: str) -> None:
    """Copy a file with its times, compare the copy's hash, then rename it to its target."""
    part = _part_path(target, content_hash)
    before = os.stat(source)
    try:
        shutil.copy2(source, part)
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        if hash_file(part) != content_hash:
            raise OSError(
                f"the copy differs from the file; the disk of {target.parent} may be failing"
            )
        now = os.stat(source)
        if (now.st_size, now.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
            raise OSError("another program wrote to it while it was copied")
        _rename_to_free(part, target)
    except OSError:
        part.unlink(missing_ok=True)
        raise


def _rename_to_free(part: Path, target: Path) -> None:
    """Rename without overwriting, where the file system can guarantee that."""
    if _link(part, target):
        part.unlink()
    else:
        rename_noreplace(part, target)


def _link(source: Path, target: Path) -> bool:
    """Give a file a second name; return False where hard links are not possible."""
    try:
        os.link(source, target, follow_symlinks=False)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError):  # a network disk may have made the link all the same
        return target.exists() and os.path.samefile(source, target)
    return True

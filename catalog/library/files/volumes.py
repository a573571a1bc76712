"""Where files may be moved from: places that are read-only or lie on another machine may not.

A move on another machine cannot be promised to be whole after a broken line, so it is not begun.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path

# File systems whose disk is in another machine, by the names that Linux gives them in
# /proc/self/mountinfo (proc_pid_mountinfo(5), field 9); the list is common practice, no source.
NETWORK_TYPES = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "ncpfs", "afs", "9p", "ceph", "glusterfs", "davfs",
     "fuse.sshfs", "fuse.davfs2", "fuse.rclone", "fuse.s3fs", "fuse.gvfsd-fuse", "fuse.glusterfs"}
)  # fmt: skip
MOUNTS = Path("/proc/self/mountinfo")
ESCAPED = re.compile(r"\\([0-7]{3})")  # blanks and the like are written as octal numbers there


def why_fixed(path: Path) -> str:
    """Say why a file may not be moved from where it is.

    Parameters
    ----------
    path : Path, absolute

    Returns
    -------
    str
        such as "its folder is read-only"; "" if it may be moved
    """
    folder = os.path.realpath(path.parent)
    if kind := network_type(folder, _read_mounts()):
        return f"its folder is on another machine ({kind})"
    if _is_read_only(folder):
        return "its folder is read-only"
    return ""


def network_type(folder: str, mounts: Iterable[str]) -> str:
    """Give the kind of network file system that a folder lies on.

    Parameters
    ----------
    folder : str, absolute, without links
    mounts : iterable of str, lines in the form of /proc/self/mountinfo

    Returns
    -------
    str
        such as "nfs4"; "" if its disk is in this machine, as far as can be told

    References
    ----------
    The form of the lines: proc_pid_mountinfo(5) of the Linux manual pages.
    """
    if folder.startswith(("\\\\", "//")):  # a share by its name, as Windows writes it
        return "share"
    longest, kind = -1, ""
    for line in mounts:
        before, _, after = line.partition(" - ")
        if len(before.split()) < 5 or not after.split():
            continue
        point = ESCAPED.sub(lambda found: chr(int(found[1], 8)), before.split()[4])
        inside = folder == point or folder.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= longest:  # of two on one place the later one is seen
            longest, kind = len(point), after.split()[0]
    return kind if kind in NETWORK_TYPES else ""


def _read_mounts() -> list[str]:
    try:
        return MOUNTS.read_text("utf-8", "surrogateescape").splitlines()
    except OSError:  # not Linux
        return []


def _is_read_only(folder: str) -> bool:
    effective = os.access in os.supports_effective_ids
    if os.path.isdir(folder) and not os.access(folder, os.W_OK | os.X_OK, effective_ids=effective):
        return True
    try:
        return bool(os.statvfs(folder).f_flag & os.ST_RDONLY)
    except (AttributeError, OSError):  # not on this system; or gone, which is told elsewhere
        return False

"""Whether a file may be moved: not from a read-only folder, nor from one on another machine.

A move over a network may be cut off halfway, so it is never started.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

# Types of file systems whose disk is in another machine, as the system names them in its table of
# mounts (on Linux proc_pid_mounts(5), third field); the list is common practice, no source.
NETWORK_TYPES = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "ncpfs", "afs", "9p", "ceph", "glusterfs", "davfs",
     "fuse.sshfs", "fuse.davfs2", "fuse.rclone", "fuse.s3fs", "fuse.gvfsd-fuse", "fuse.glusterfs"}
)  # fmt: skip


def immovable_reason(path: Path) -> str:
    """Return why a file may not be moved, such as "its folder is read-only"; "" if it may be."""
    folder = os.path.realpath(path.parent)
    if fstype := network_type(folder, list_mounts()):
        return f"its folder is on another machine ({fstype})"
    if _is_read_only(folder):
        return "its folder is read-only"
    return ""


def network_type(folder: str, mounts: Mapping[str, str]) -> str:
    """Return the network file system of a folder, such as "nfs4"; "" if its disk is local.

    The folder is absolute and without symbolic links; `mounts` is as `list_mounts` returns it.
    """
    if folder.startswith(("\\\\", "//")):  # a share by its name, as Windows writes it
        return "share"
    inside = os.path.join(folder, "")  # with a separator, so that /mnt/a does not hold /mnt/ab
    around = [point for point in mounts if inside.startswith(os.path.join(point, ""))]
    fstype = mounts.get(max(around, key=len, default=""), "")
    return fstype if fstype in NETWORK_TYPES else ""


def list_mounts() -> dict[str, str]:
    """Return the type of file system at each mount point; of two at one path, the later one."""
    import psutil  # takes 25 ms

    try:
        return {mount.mountpoint: mount.fstype for mount in psutil.disk_partitions(all=True)}
    except OSError:  # the system does not show its mounts
        return {}


def _is_read_only(folder: str) -> bool:
    """Return whether this user may not change a folder; psutil does not report permissions."""
    effective = os.access in os.supports_effective_ids
    if os.path.isdir(folder) and not os.access(folder, os.W_OK | os.X_OK, effective_ids=effective):
        return True
    try:
        return bool(os.statvfs(folder).f_flag & os.ST_RDONLY)
    except (AttributeError, OSError):  # not on this system; a missing folder is reported elsewhere
        return False

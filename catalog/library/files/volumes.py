"""Whether a file may be moved, and the volume that a folder is on.

A file in a read-only folder, or on another machine, is not moved: a move over a network may be cut
off halfway. A file that was set aside is moved back only while the volume that it came from is
mounted; otherwise it would be written to the disk below the empty mount point.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

# Types of file systems whose disk is in another machine, as the system names them in its table of
# mounts (on Linux proc_pid_mounts(5), third field); the list is common practice, no source.
NETWORK_TYPES = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "ncpfs", "afs", "9p", "ceph", "glusterfs", "davfs",
     "fuse.sshfs", "fuse.davfs2", "fuse.rclone", "fuse.s3fs", "fuse.gvfsd-fuse", "fuse.glusterfs"}
)  # fmt: skip

UUID_LINKS = Path("/dev/disk/by-uuid")  # links to devices, made by udev(7) of Linux


class Volume(NamedTuple):
    """A mounted file system."""

    mount_point: str  # "" if the system does not show its mounts
    uuid: str  # of the file system; "" if the system does not show it


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
    fstype = mounts.get(_find_mount_point(folder, mounts), "")
    return fstype if fstype in NETWORK_TYPES else ""


def find_volume(path: Path) -> Volume:
    """Return the volume that holds a path, or would hold it if its missing folders were made."""
    folder = os.path.realpath(path.parent)
    devices = {mount.mountpoint: mount.device for mount in _read_mounts()}
    mount_point = _find_mount_point(folder, devices)
    return Volume(mount_point, _read_uuid(devices.get(mount_point, "")))


def is_other_volume(now: Volume, before: Volume) -> bool:
    """Return whether two volumes differ, by identifier, or else by mount point."""
    if now.uuid and before.uuid:
        return now.uuid != before.uuid
    return now.mount_point != before.mount_point


def list_mounts() -> dict[str, str]:
    """Return the type of file system at each mount point; of two at one path, the later one."""
    return {mount.mountpoint: mount.fstype for mount in _read_mounts()}


def _read_mounts() -> Sequence[Any]:
    import psutil  # takes 25 ms

    try:
        return psutil.disk_partitions(all=True)
    except OSError:  # the system does not show its mounts
        return ()


def _find_mount_point(folder: str, mounts: Mapping[str, str]) -> str:
    inside = os.path.join(folder, "")  # with a separator, so that /mnt/a does not hold /mnt/ab
    around = [point for point in mounts if inside.startswith(os.path.join(point, ""))]
    return max(around, key=len, default="")


def _read_uuid(device: str) -> str:
    real = os.path.realpath(device)
    try:
        links = sorted(UUID_LINKS.iterdir()) if device else []
    except OSError:  # not on this system
        return ""
    return next((link.name for link in links if os.path.realpath(link) == real), "")


def _is_read_only(folder: str) -> bool:
    """Return whether this user may not change a folder; psutil does not report permissions."""
    effective = os.access in os.supports_effective_ids
    if os.path.isdir(folder) and not os.access(folder, os.W_OK | os.X_OK, effective_ids=effective):
        return True
    try:
        return bool(os.statvfs(folder).f_flag & os.ST_RDONLY)
    except (AttributeError, OSError):  # not on this system; a missing folder is reported elsewhere
        return False

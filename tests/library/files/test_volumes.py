from __future__ import annotations

from pathlib import Path

import psutil
import pytest

from catalog.library.files.volumes import immovable_reason, list_mounts, network_type

# Lines in the form of proc_pid_mounts(5) and fstab(5), Linux manual pages.
MOUNTS = r"""/dev/sda1 / ext4 rw,relatime 0 0
//shelf/drums /mnt/two\040words cifs rw,noatime,vers=3 0 0
me@barn:/takes /home/me/far fuse.sshfs rw 0 0
/dev/sdb1 /home/me/far/near ext4 rw,relatime 0 0
/dev/sdc1 /mnt/covered ext4 rw 0 0
shelf:/takes /mnt/covered nfs4 rw 0 0
/dev/sda2 /boot vfat rw 0 0
"""


@pytest.fixture
def mounts(tmp_path, monkeypatch):
    """Let psutil read the table above."""
    table = tmp_path / "proc" / "self" / "mounts"
    table.parent.mkdir(parents=True)
    table.write_text(MOUNTS)
    monkeypatch.setattr(psutil, "PROCFS_PATH", str(tmp_path / "proc"))
    return list_mounts()


@pytest.mark.skipif(not psutil.LINUX, reason="reads a table of mounts as Linux writes it")
@pytest.mark.parametrize(
    ("folder", "fstype"),
    [
        ("/", ""),
        ("/home/me", ""),
        ("/mnt/two words", "cifs"),
        ("/mnt/two words/takes", "cifs"),
        ("/mnt/two wordsmiths", ""),
        ("/home/me/far/2024", "fuse.sshfs"),
        ("/home/me/far/near/2024", ""),
        ("/mnt/covered/2024", "nfs4"),
        ("/boot/x", ""),
        (r"\\shelf\drums", "share"),
    ],
)
def test_the_innermost_mount_decides_where_the_disk_of_a_folder_is(mounts, folder, fstype):
    assert network_type(folder, mounts) == fstype


def test_a_file_in_an_ordinary_folder_may_be_moved(tmp_path):
    assert immovable_reason(tmp_path / "a.wav") == ""


def test_a_file_on_a_read_only_mount_may_not_be_moved():
    mounts = psutil.disk_partitions(all=True)
    read_only = [m.mountpoint for m in mounts if "ro" in m.opts.split(",")]
    folders = [Path(mountpoint) for mountpoint in read_only if Path(mountpoint).is_dir()]
    if not folders:
        pytest.skip("nothing is mounted read-only here")
    assert immovable_reason(folders[0] / "a.wav") == "its folder is read-only"

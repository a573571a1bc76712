from __future__ import annotations

from pathlib import Path

import pytest

from catalog.library.files.volumes import MOUNTS as MOUNTS_HERE
from catalog.library.files.volumes import network_type, why_fixed

# Lines in the form of proc_pid_mountinfo(5), Linux manual pages.
MOUNTS = [
    "21 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw",
    "36 21 98:0 /mnt1 /mnt/two\\040words rw,noatime master:1 - cifs //shelf/drums rw,vers=3",
    "37 21 0:40 / /home/me/far rw - fuse.sshfs me@barn:/takes rw",
    "38 37 8:2 / /home/me/far/near rw - ext4 /dev/sdb1 rw",
    "39 21 0:41 / /boot rw - vfat /dev/sda2 rw",
]


@pytest.mark.parametrize(
    ("folder", "kind"),
    [
        ("/", ""),
        ("/home/me", ""),
        ("/mnt/two words", "cifs"),
        ("/mnt/two words/takes", "cifs"),
        ("/mnt/two wordsmiths", ""),
        ("/home/me/far/2024", "fuse.sshfs"),
        ("/home/me/far/near/2024", ""),
        ("/boot/x", ""),
        (r"\\shelf\drums", "share"),
    ],
)
def test_the_longest_mount_that_holds_a_folder_says_where_its_disk_is(folder, kind):
    assert network_type(folder, MOUNTS) == kind


def test_lines_that_are_not_understood_are_passed_over():
    assert network_type("/home", ["", "nonsense", "1 2 - ", *MOUNTS]) == ""


def test_an_ordinary_folder_is_free(tmp_path):
    assert why_fixed(tmp_path / "a.wav") == ""


def test_a_read_only_mount_is_told():
    try:
        mounts = [line.split() for line in MOUNTS_HERE.read_text().splitlines()]
    except OSError:
        mounts = []
    shut = [m[4] for m in mounts if "ro" in m[5].split(",") and Path(m[4]).is_dir()]
    if not shut:
        pytest.skip("nothing is mounted read-only here")
    assert why_fixed(Path(shut[0]) / "a.wav") == "its folder is read-only"

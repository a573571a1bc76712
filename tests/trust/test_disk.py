"""Disks that are full, read-only or unmounted: a clear message, and no file is lost."""

from __future__ import annotations

import os
import shutil
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from catalog import Catalog
from catalog.errors import CatalogError, KitError, StoreError
from catalog.kit.model import Kit
from tests.library.files.conftest import snapshot
from tests.trust.conftest import write_stroke


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Return a mounted file system of 1 MiB in memory."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "none", folder], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("a file system can be mounted by root only")
    yield folder
    subprocess.run(["umount", "-l", folder], capture_output=True, check=False)


def fill(disk: Path, leave: int) -> Path:
    """Fill a disk up to `leave` bytes, and return the file that fills it."""
    blocker = disk / "blocker"
    free = shutil.disk_usage(disk).free
    blocker.write_bytes(bytes(max(0, free - leave)))
    return blocker


def test_a_scan_on_a_full_disk_fails_clearly_and_continues_once_there_is_room(small_disk, library):
    store_path = small_disk / "drums.sqlite"
    Catalog.open(store_path).close()
    blocker = fill(small_disk, leave=40_000)
    with Catalog.open(store_path) as cat:
        with pytest.raises(StoreError, match="full"):
            cat.scan([library], n_jobs=1)
        assert len(cat.hits()) < 40
    blocker.unlink()
    with Catalog.open(store_path) as cat:
        cat.scan([library], n_jobs=1)
        assert len(cat.hits()) == 40


def test_an_export_to_a_full_disk_leaves_nothing(small_disk, tmp_path, library):
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([library], n_jobs=1)
        kit = Kit(slots={"snare": tuple(hit.id for hit in cat.hits() if hit.role == "snare")})
        fill(small_disk, leave=20_000)
        with pytest.raises(KitError, match="nothing is left of it"):
            cat.export_kit(kit, small_disk / "kit")
        assert [path.name for path in small_disk.iterdir()] == ["blocker"]


def test_setting_aside_to_a_full_disk_leaves_each_file_in_its_place(small_disk, library):
    store_path = small_disk / "drums.sqlite"
    with Catalog.open(store_path) as cat:
        cat.scan([library], n_jobs=1)
        before, ids = snapshot(library), [hit.id for hit in cat.hits()]
        fill(small_disk, leave=4_000)  # less than one file
        with pytest.raises(CatalogError):
            cat.set_aside(ids, reason="test")
        assert snapshot(library) == {path: before[path] for path in before if path.exists()}
        for hit in cat.hits(states=("here", "aside")):
            assert hit.path.exists()
        assert len(cat.hits(states=("here", "aside"))) == 40


def test_files_on_a_read_only_disk_are_scanned_and_never_moved(small_disk, tmp_path):
    write_stroke(small_disk / "kick_1.wav", 1, hz=60.0)
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([small_disk], n_jobs=1)
        (hit,) = cat.hits()
        before = snapshot(small_disk)
        with pytest.raises(StoreError, match=r"read-only|may not be|cannot be (written|changed)"):
            cat.set_aside([hit.id], reason="test")
        assert cat.hit(hit.id).state == "here"
        assert snapshot(small_disk) == before


def test_hits_on_an_unmounted_disk_are_missing_until_it_is_mounted_again(small_disk, tmp_path):
    for k in range(3):
        write_stroke(small_disk / "Barn" / f"kick_{k}.wav", k, hz=60.0)
    spare = tmp_path / "spare"
    shutil.copytree(small_disk / "Barn", spare)
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([small_disk], n_jobs=1)
        ids = [hit.id for hit in cat.hits()]
        cat.annotations.mark(ids, "master")
        subprocess.run(["umount", "-l", small_disk], check=True)
        with pytest.raises(CatalogError):
            cat.audio(ids[0])
        assert len(cat.scan([small_disk], n_jobs=1).missing) == 3
        shutil.copytree(spare, small_disk / "Barn", copy_function=shutil.copy2)
        cat.scan([small_disk], n_jobs=1)
        assert [(hit.id, hit.mark) for hit in cat.hits()] == [(i, "master") for i in ids]


def test_a_file_that_is_truncated_while_it_is_read_is_a_hit_or_is_skipped_with_a_reason(tmp_path):
    """Scan again and again while another thread truncates and rewrites the file."""
    folder = tmp_path / "recordings"
    write_stroke(folder / "kick_1.wav", 1, hz=60.0)
    path, ended = folder / "kick_1.wav", threading.Event()
    intact = path.read_bytes()

    def shrink() -> None:
        while not ended.is_set():
            os.truncate(path, len(intact) // 3)
            path.write_bytes(intact)

    other = threading.Thread(target=shrink)
    other.start()
    try:
        with Catalog.open(tmp_path / "drums.sqlite") as cat:
            for _ in range(60):
                report = cat.scan([folder], n_jobs=1)
                assert all(skipped.reason.strip() for skipped in report.skipped)
    finally:
        ended.set()
        other.join()
    path.write_bytes(intact)
    os.utime(path, ns=(7, 7))
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        assert not cat.scan([folder], n_jobs=1).skipped
        assert [hit.name for hit in cat.hits()] == ["kick_1"]

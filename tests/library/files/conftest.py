"""Files that cannot be removed, and a snapshot of a library's files."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from catalog.library.files.aside_journal import JOURNAL_NAME
from catalog.library.store.store import Store
from catalog.library.undo.undo import UndoResult, undo_acts


@pytest.fixture
def make_immutable() -> Iterator[Callable[[Path], None]]:
    """Give a function after which not even root can remove a file: chattr(1) of Linux."""
    paths: list[Path] = []

    def change(path: Path) -> None:
        paths.append(path)
        try:
            done = subprocess.run(["chattr", "+i", path], capture_output=True, check=False)
        except FileNotFoundError:
            pytest.skip("needs chattr")
        if done.returncode:
            pytest.skip("needs root and a file system with that attribute")

    yield change
    for path in paths:
        subprocess.run(["chattr", "-i", path], capture_output=True, check=False)


def snapshot(folder: Path) -> dict[Path, tuple[bytes, int]]:
    """Return bytes and modification time (ns) of every sound file below a folder."""
    found = (path for path in folder.rglob("*") if path.is_file())
    files = (path for path in found if path.name != JOURNAL_NAME)
    return {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in files}


def undo_steps(store: Store, steps: Sequence[int] | None = None) -> UndoResult:
    """Undo the acts with these numbers, or all of them."""
    acts = [act for act in store.acts.read() if steps is None or act.id in steps]
    return undo_acts(store, [act for act in acts if not act.undone])

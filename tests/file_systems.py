"""Fakes of file systems that behave as those of macOS and Windows do.

They stand in for what cannot be run here. Names are matched without regard to case and to Unicode
form and are listed decomposed, as HFS+ does [1]_. Hard links are refused, as exFAT does. A file
that another program holds can be neither renamed, replaced nor removed, as on Windows, where the
error is number 32 [2]_.

References
----------
.. [1] Apple, Technical Note TN1150, "HFS Plus Volume Format", section "Unicode Subtleties".
.. [2] Microsoft, "System Error Codes (0-499)", ERROR_SHARING_VIOLATION.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
import unicodedata
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

SHARING_VIOLATION = 32
ONE_PATH = (
    "stat",
    "lstat",
    "listdir",
    "open",
    "mkdir",
    "rmdir",
    "unlink",
    "remove",
    "utime",
    "access",
)
TWO_PATHS = ("rename", "replace", "link")


def name_key(name: str) -> str:
    """Return what two names of one file have in common."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


class FoldingNames:
    """Match names below `root` without regard to case and Unicode form; new ones are decomposed."""

    def __init__(self, root: Path, patch: pytest.MonkeyPatch) -> None:
        self._root = str(root)
        self._listdir = os.listdir
        for name in ONE_PATH:
            patch.setattr(os, name, self._with_one(getattr(os, name)))
        for name in TWO_PATHS:
            patch.setattr(os, name, self._with_two(getattr(os, name)))
        patch.setattr(os, "scandir", self._scandir(os.scandir))
        patch.setattr(io, "open", self._with_one(io.open))
        patch.setattr(builtins, "open", self._with_one(builtins.open))

    def on_disk(self, path: object) -> object:
        """Return the path as it is on the disk, with new names decomposed."""
        if not isinstance(path, str | os.PathLike):
            return path  # a handle
        text = os.fspath(path)
        if not isinstance(text, str) or not os.path.abspath(text).startswith(self._root + os.sep):
            return path
        found = self._root
        for part in os.path.abspath(text)[len(self._root) + 1 :].split(os.sep):
            found = os.path.join(found, self._find(found, part))
        return found

    def _find(self, folder: str, name: str) -> str:
        try:
            names = self._listdir(folder)
        except OSError:
            names = []
        same = (other for other in names if name_key(other) == name_key(name))
        return next(same, unicodedata.normalize("NFD", name))

    def _with_one(self, function: Callable) -> Callable:
        def call(path: object = ".", *rest: object, **options: object) -> object:
            return function(self.on_disk(path), *rest, **options)

        return call

    def _with_two(self, function: Callable) -> Callable:
        def call(source: object, target: object, **options: object) -> object:
            return function(self.on_disk(source), self.on_disk(target), **options)

        return call

    def _scandir(self, function: Callable) -> Callable:
        def call(path: object = ".") -> _Entries:
            return _Entries(function(self.on_disk(path)), path)

        return call


class _Entries:
    """What `os.scandir` returns, with the paths as they were asked for."""

    def __init__(self, found: object, folder: object) -> None:
        self._found, self._folder = found, folder

    def __enter__(self) -> _Entries:
        return self

    def __exit__(self, *_error: object) -> None:
        self._found.close()

    def __iter__(self) -> Iterator[_Entry]:
        return (_Entry(entry, self._folder) for entry in self._found)


class _Entry:
    def __init__(self, entry: os.DirEntry, folder: object) -> None:
        self._entry = entry
        self.name = entry.name
        self.path = os.path.join(os.fspath(folder), entry.name)

    def __fspath__(self) -> str:
        return self.path

    def __getattr__(self, name: str) -> object:
        return getattr(self._entry, name)


def refuse_links(patch: pytest.MonkeyPatch, error: type[Exception] = PermissionError) -> None:
    """Refuse hard links, with the error of a file system or of a Python that has no such call."""

    def link(*_arguments: object, **_options: object) -> None:
        raise error(errno.EPERM, "no hard links")

    patch.setattr(os, "link", link)


class HeldFiles:
    """Files that another program holds open, each for some calls."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.calls_left: dict[Path, int] = {}
        patch.setattr("catalog.library.files.atomic.HAS_RENAMEAT2", False)
        for name in ("rename", "replace", "unlink", "remove"):
            patch.setattr(os, name, self._guarded(getattr(os, name)))

    def hold(self, path: Path, *, n_calls: int = 10**6) -> None:
        self.calls_left[path] = n_calls

    def _guarded(self, function: Callable) -> Callable:
        def call(*paths: object, **options: object) -> object:
            for path in paths:
                self._check(Path(os.fspath(path)))
            return function(*paths, **options)

        return call

    def _check(self, path: Path) -> None:
        """Refuse a held file, and the folder of one."""
        for held in self.calls_left:
            if self.calls_left[held] > 0 and held.is_relative_to(path):
                self.calls_left[held] -= 1
                error = PermissionError(errno.EACCES, "used by another process", str(path))
                error.winerror = SHARING_VIOLATION
                raise error


@pytest.fixture
def folding_names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FoldingNames:
    return FoldingNames(tmp_path, monkeypatch)


@pytest.fixture
def held_files(monkeypatch: pytest.MonkeyPatch) -> HeldFiles:
    return HeldFiles(monkeypatch)

"""Files of the page that live no longer than its process: uploads and kits packed for download."""

from __future__ import annotations

import atexit
import os
import secrets
import shutil
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil

from catalog.errors import CatalogError

PREFIX = "catalog-page-"
UPLOADS_KEPT = 4  # audio files sent by the page; the oldest is deleted first
UPLOADS_AT_ONCE = 4  # being received or measured
TOO_MANY = f"{UPLOADS_AT_ONCE} files are being read already; drop this one again in a moment"


class TemporaryFiles:
    """A folder that only this user can open, made on first use, deleted when the process ends."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._folder: Path | None = None

    def folder(self) -> Path:
        """Return the folder; its name holds the process, so that a later one can delete it."""
        with self._lock:
            if self._folder is None:
                prefix = f"{PREFIX}{os.getpid()}-{_start_time(os.getpid())}-"
                self._folder = Path(tempfile.mkdtemp(prefix=prefix))  # readable by this user only
                atexit.register(shutil.rmtree, self._folder, ignore_errors=True)
            return self._folder

    def close(self) -> None:
        """Delete the folder with all files."""
        with self._lock:
            if self._folder is not None:
                shutil.rmtree(self._folder, ignore_errors=True)
                self._folder = None


def remove_abandoned() -> None:
    """Delete the folders of processes that were killed before they could do so."""
    for folder in Path(tempfile.gettempdir()).glob(f"{PREFIX}*-*-*"):
        pid, started = folder.name.removeprefix(PREFIX).split("-")[:2]
        if pid.isdecimal() and started != str(_start_time(int(pid))) and _is_own(folder):
            shutil.rmtree(folder, ignore_errors=True)


def _is_own(folder: Path) -> bool:
    if folder.is_symlink() or not folder.is_dir():
        return False
    return os.name != "posix" or folder.stat().st_uid == os.getuid()


def _start_time(pid: int) -> int:
    """Return when a process was started, in s; 0 if there is none with this number."""
    try:
        return int(psutil.Process(pid).create_time())
    except (psutil.Error, OverflowError):
        return 0


class UploadStore:
    """The last few audio files sent by the page, each under an unguessable token."""

    def __init__(self, files: TemporaryFiles) -> None:
        self.measuring = threading.Lock()  # of one file at a time: their memory does not add up
        self._files = files
        self._lock = threading.Lock()
        self._received: set[str] = set()
        self._paths: OrderedDict[str, Path] = OrderedDict()

    @contextmanager
    def receive(self, suffix: str) -> Iterator[tuple[str, Path]]:
        """Yield a new token and the path for its file, which is deleted unless `put` keeps it.

        Raises
        ------
        CatalogError
            if too many files are being received
        """
        token = secrets.token_urlsafe(12)
        path = self._files.folder() / f"{token}.{suffix}"
        with self._lock:
            if len(self._received) >= UPLOADS_AT_ONCE:
                raise CatalogError(TOO_MANY)
            self._received.add(token)
        try:
            yield token, path
        finally:
            with self._lock:
                self._received.discard(token)
                if token not in self._paths:
                    path.unlink(missing_ok=True)

    def put(self, token: str, path: Path) -> None:
        """Keep a file that is being received; the oldest one beyond the limit is deleted."""
        with self._lock:
            if token not in self._received:
                return  # its request broke off while it was measured
            self._paths[token] = path
            while len(self._paths) > UPLOADS_KEPT:
                self._paths.popitem(last=False)[1].unlink(missing_ok=True)

    def get(self, token: str) -> Path | None:
        """Return the file of a token, or None."""
        with self._lock:
            return self._paths.get(token)

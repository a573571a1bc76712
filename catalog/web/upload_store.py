"""Audio files sent by the page, kept in a temporary folder for a while."""

from __future__ import annotations

import atexit
import secrets
import shutil
import tempfile
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path

FILES_KEPT = 4  # the oldest is deleted first


@dataclass(frozen=True)
class Upload:
    """A file that was sent, under a name of our own, and the name that it came with."""

    path: Path
    name: str


class UploadStore:
    """The last few uploads, each under an unguessable token."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._folder: Path | None = None
        self._uploads: OrderedDict[str, Upload] = OrderedDict()

    def new_place(self, suffix: str) -> tuple[str, Path]:
        """Return a new token and the path where its file is to be written."""
        with self._lock:
            if self._folder is None:
                self._folder = Path(tempfile.mkdtemp(prefix="outside-"))
                atexit.register(shutil.rmtree, self._folder, ignore_errors=True)
            token = secrets.token_urlsafe(12)
            return token, self._folder / f"{token}.{suffix}"

    def put(self, token: str, upload: Upload) -> None:
        """Keep an upload; the oldest one beyond the limit is deleted with its file."""
        with self._lock:
            self._uploads[token] = upload
            while len(self._uploads) > FILES_KEPT:
                self._uploads.popitem(last=False)[1].path.unlink(missing_ok=True)

    def get(self, token: str) -> Upload | None:
        """Return the upload of a token, or None."""
        with self._lock:
            return self._uploads.get(token)

    def close(self) -> None:
        """Delete all uploads."""
        with self._lock:
            self._uploads.clear()
            if self._folder is not None:
                shutil.rmtree(self._folder, ignore_errors=True)
                self._folder = None

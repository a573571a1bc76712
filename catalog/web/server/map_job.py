"""The map, computed by a process of its own when many hits have no place on it yet."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path

import numpy as np
import psutil

from catalog.catalog import Catalog

MIN_HITS = 400  # with fewer hits the provisional map is readable; a judgement, no source
MISSING = 0.2  # share of hits without a place from which the map is computed again
NICE = 10  # leaves the processor to the page; POSIX
PROGRESS = re.compile(r"([a-z][a-z ]*): *(\d+)%")


def map_command(store_path: Path) -> list[str]:
    """Return the command that computes the map of a store."""
    return [sys.executable, "-m", "catalog", "--store", str(store_path), "map"]


class MapJob:
    """Compute the map in the background, once for each number of hits."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[str] | None = None
        self._progress = ""
        self._tried: int | None = None  # number of hits of the last computation

    def describe(self, catalog: Catalog, ids: np.ndarray) -> str:
        """Start a computation if it is needed; return what the map shows meanwhile, or ""."""
        placed, *_ = catalog.context.store.layouts.read()
        missing = 1.0 - float(np.isin(ids, placed).mean()) if len(ids) else 0.0
        with self._lock:
            if self._process is not None and self._process.poll() is None:
                return f"provisional map; a better one is computed {self._progress}".strip()
            if len(ids) >= MIN_HITS and missing > MISSING and self._tried != len(ids):
                self._tried = len(ids)
                self._start(catalog)
                return "provisional map; a better one is computed"
        return "provisional map, for few hits" if missing == 1.0 else ""

    def stop(self) -> None:
        """End a computation; the stored map stays as it is."""
        with self._lock:
            if self._process is not None and self._process.poll() is None:
                self._process.terminate()
                self._process.wait()

    def _start(self, catalog: Catalog) -> None:
        self._progress = ""
        self._process = subprocess.Popen(
            map_command(catalog.store_path),
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        with suppress(psutil.Error, AttributeError, OSError):
            psutil.Process(self._process.pid).nice(NICE)
        threading.Thread(target=self._read, args=(self._process,), daemon=True).start()

    def _read(self, process: subprocess.Popen[str]) -> None:
        assert process.stderr is not None
        for line in process.stderr:  # universal newlines end a line at each carriage return
            if found := PROGRESS.findall(line):
                step, share = found[-1]
                self._progress = f"({step} {share} %)"
        process.stderr.close()
        process.wait()

"""Measure speed and memory of a scan of one long take: `long_take.py FOLDER [--minutes 10]`.

FOLDER holds a folder for each drum with files "N-DRUM-MICROPHONE.flac", as in the open data set
"MuldjordKit v1.0" (Lars Muldjord, CC BY 4.0). The take has four channels: kick, snare, overhead and
room, with a stroke of a random drum every 0.5 to 2 s and room noise. Memory is the highest resident
size of the process and of its workers, each by itself, as the kernel counts it.
"""

from __future__ import annotations

import argparse
import re
import tempfile
import threading
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
import psutil
import soundfile

from catalog import Catalog

SR = 44_100
CHANNELS = ("KdrumL", "Snare_top", "OHL", "AmbL")
DRUMS = ("KdrumL", "Snare", "HihatClosed", "Tom1", "CrashL")
GAP_S = (0.5, 2.0)
NOISE = 10 ** (-75 / 20)
SECTION_S = 60.0  # written at once


def read_strokes(folder: Path) -> list[np.ndarray]:
    """Return strokes, each float32 (n_frames, 4)."""
    files: dict[tuple[str, str], dict[str, Path]] = defaultdict(dict)
    for drum in DRUMS:
        for path in sorted((folder / drum).glob("*.flac")):
            number, _, microphone = path.stem.split("-", 2)
            files[drum, number][microphone] = path
    strokes = []
    for by_microphone in files.values():
        found = {
            name: soundfile.read(by_microphone[name], dtype="float32", always_2d=True)[0][:, 0]
            for name in CHANNELS
            if name in by_microphone
        }
        stroke = np.zeros((max(map(len, found.values())), len(CHANNELS)), np.float32)
        for name, mono in found.items():
            stroke[: len(mono), CHANNELS.index(name)] = mono
        strokes.append(stroke)
    return strokes


def write_take(path: Path, strokes: list[np.ndarray], *, minutes: float, seed: int) -> int:
    """Write a take and return its number of strokes."""
    rng = np.random.default_rng(seed)
    n, at = round(minutes * 60 * SR), SR // 2
    laid = []
    while at < n - SR:
        laid.append((at, strokes[int(rng.integers(len(strokes)))]))
        at += round(rng.uniform(*GAP_S) * SR)
    section = round(SECTION_S * SR)
    with soundfile.SoundFile(path, "w", SR, len(CHANNELS), "PCM_24") as file:
        for start in range(0, n, section):
            part = rng.normal(scale=NOISE, size=(min(section, n - start), len(CHANNELS)))
            for first, stroke in laid:
                a, b = max(first, start), min(first + len(stroke), start + len(part))
                if a < b:
                    part[a - start : b - start] += stroke[a - first : b - first]
            file.write(np.clip(part, -1, 1))
    return len(laid)


class MemoryWatch(threading.Thread):
    """Follow the highest resident size of this process and of its children, in MB."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.most: dict[int, float] = {}
        self._done = threading.Event()

    def run(self) -> None:
        """Look four times a second until stopped."""
        while not self._done.wait(0.25):
            me = psutil.Process()
            for process in (me, *me.children(recursive=True)):
                try:
                    status = Path(f"/proc/{process.pid}/status").read_text(encoding="utf-8")
                except OSError:
                    continue
                if match := re.search(r"VmHWM:\s+(\d+) kB", status):
                    self.most[process.pid] = int(match[1]) / 1024

    def stop(self) -> float:
        """Return the most that one process took."""
        self._done.set()
        self.join()
        return max(self.most.values(), default=0.0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    strokes = read_strokes(args.folder)
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "session"
        folder.mkdir()
        n = write_take(folder / "take 1.wav", strokes, minutes=args.minutes, seed=args.seed)
        strokes.clear()
        watch = MemoryWatch()
        watch.start()
        with Catalog.open(Path(temporary) / "catalog.sqlite") as cat:
            started = time.perf_counter()
            cat.scan([folder], n_jobs=args.jobs)
            took_s = time.perf_counter() - started
            found = len(cat.hits())
        print(
            f"{args.minutes:g} min, {len(CHANNELS)} channels, {n} strokes, {found} hits: "
            f"{took_s:.1f} s, {args.minutes * 60 / took_s:.0f} times real time with {args.jobs} "
            f"processes; most memory of one process {watch.stop():.0f} MB"
        )


if __name__ == "__main__":
    main()

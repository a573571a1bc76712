"""Recorded single strokes for made takes, by drums that were looked at and that are held out."""

from __future__ import annotations

import csv
import re
from collections import defaultdict
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import soxr

from catalog.audio.decode import decode_file
from catalog.features.onset import find_stroke
from catalog.features.waveform import mix_to_mono
from tests.bench.takes import TUNING_DRUMS

SR = 44_100
HALVES = ("looked at", "held out")
MIN_LENGTH_S = 0.05  # shorter files were truncated when the set was made

Stroke = tuple[np.ndarray, int]  # samples at SR, and the frame of the onset


def load_strokes(paths: list[Path]) -> list[Stroke]:
    """Return recorded strokes, without files that were truncated."""
    strokes = [load_stroke(path) for path in paths]
    return [s for s in strokes if len(s[0]) - s[1] >= MIN_LENGTH_S * SR]


@cache
def load_stroke(path: Path) -> Stroke:
    """Return one recorded stroke."""
    audio = decode_file(path)
    mono = mix_to_mono(audio.samples)
    if audio.sr != SR:
        mono = soxr.resample(mono, audio.sr, SR)
    return mono, find_stroke(mono, sr=SR).onset


def _drum_of(key: str) -> str:
    """Return the name of a drum without that of its preparation, as in "snare 14p muted"."""
    return re.sub(r"(/snare \w+) [^/]*/.*", r"\1", key)


class Recordings:
    """Paths of single strokes, softest first, by half, drum and microphone."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._sets: dict[str, dict[str, list[Path]]] = {half: {} for half in HALVES}
        self.roles: dict[str, str] = {}
        self._add_one_folder_per_drum(folder / "muldjordkit")
        for name in ("open_percussion", "more_percussion"):
            self._add_labelled(folder / name)

    def _add_one_folder_per_drum(self, folder: Path) -> None:
        found: dict[tuple[str, str], list[tuple[int, Path]]] = defaultdict(list)
        for path in sorted(folder.glob("*/*.flac")):
            match = re.fullmatch(r"(\d+)-(.+)-(.+)", path.stem)
            if match:
                found[match[2], match[3]].append((int(match[1]), path))
        for (drum, microphone), paths in found.items():
            half = HALVES[drum not in TUNING_DRUMS]
            self._sets[half][f"muldjordkit/{drum}/{microphone}"] = [p for _, p in sorted(paths)]

    def _add_labelled(self, folder: Path) -> None:
        found: dict[tuple[str, str, str], list[tuple[int, Path]]] = defaultdict(list)
        with (folder / "labels.csv").open(encoding="utf-8") as file:
            for row in csv.DictReader(file):
                if row["duplicate_of"]:
                    continue
                key = f"{row['source']}/{row['kit']}/{row['instrument']}"
                self.roles[key] = row["role"]
                layer = int(row["layer"] or 0)
                found[row["role"], key, row.get("microphone", "")].append(
                    (layer, folder / row["path"])
                )
        drums = sorted({(role, _drum_of(key)) for role, key, _ in found})
        halves = {drum: HALVES[i % 2] for i, drum in enumerate(drums)}
        for (role, key, microphone), paths in found.items():
            name = f"{key}/{microphone}" if microphone else key
            self.roles[name] = role
            half = halves[role, _drum_of(key)]
            self._sets[half][name] = [p for _, p in sorted(paths)]

    def select(self, half: str, wanted: Callable[[str, str], bool]) -> dict[str, list[Path]]:
        """Return the drums of which name and role are `wanted`."""
        drums = sorted(self._sets[half].items())
        return {name: p for name, p in drums if wanted(name, self.roles.get(name, ""))}

    def find(self, name: str) -> list[Path]:
        """Return the strokes of one drum of either half."""
        return next(drums[name] for drums in self._sets.values() if name in drums)

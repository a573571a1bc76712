"""Read the single strokes and the voices from which takes are built."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soxr

from catalog.audio.decode import decode_file
from catalog.errors import CatalogError
from catalog.features.onset import find_stroke
from catalog.features.waveform import mix_to_mono
from catalog.training.labels import Label
from catalog.training.takes.disturbances import SR, peak_of
from catalog.training.takes.drums import Drum, Stroke, make_drums

LONGEST_S = 4.0  # of a stroke after its onset
SHORTEST_S = 0.05  # shorter files were truncated when a set was made
SHAKEN_S = 1.5  # longer files of shakers and tambourines hold several strokes
SHAKEN = ("shaker", "tambourine")
VOICE_S = 8.0  # read of one file
N_FOLDS = 3
N_VOICES = 650  # files at most, evenly spaced in the list of all
VOICE_SUFFIXES = (".wav", ".ogg", ".flac")
NO_STROKE = re.compile(  # in a name; these files hold many grains or strokes
    "guiro|vibraslap|cuica|bell.?tree|scratch|roll|swirl|whistle|swoosh|swash|rattle|flexa|"
    "sleigh|applause|jingle|chimes|wind|rain|castanets",
    re.IGNORECASE,
)


@dataclass(frozen=True, eq=False)
class Material:
    """Everything that takes are built from."""

    drums: list[Drum]
    voices: list[np.ndarray]

    def of_roles(self, roles: Sequence[str]) -> list[list[Drum]]:
        """Return the drums of each role that there is, all drums by role if `roles` is empty."""
        found: dict[str, list[Drum]] = {}
        for drum in self.drums:
            if not roles or drum.role in roles:
                found.setdefault(drum.role, []).append(drum)
        return [found[role] for role in sorted(found)]


def read_material(labels: Iterable[Label], voice_folder: Path | None) -> Material:
    """Read the strokes of labelled files, and the voices below a folder; make drums."""
    drums: dict[tuple[str, str, str], Drum] = {}
    for label in labels:
        if NO_STROKE.search(f"{label.kit} {label.instrument} {label.path.stem}"):
            continue
        key = (label.kit, label.instrument, label.microphone)
        drum = drums.setdefault(key, Drum("|".join(key[:2]), label.role, []))
        drum.strokes.extend(_read_stroke(label))
    recorded = [drum for _, drum in sorted(drums.items()) if drum.strokes]
    voices = _read_voices(voice_folder) if voice_folder else []
    return Material([*recorded, *make_drums()], voices)


def fold_sources(material: Material) -> list[Material]:
    """Divide the drums by source, and the voices, into `N_FOLDS` parts of nearly equal size."""
    sources: dict[str, list[Drum]] = {}
    for number, drum in enumerate(material.drums):
        source = f"made {number % N_FOLDS}" if drum.is_made else drum.instrument.split("/")[0]
        sources.setdefault(source, []).append(drum)
    by_size = sorted(sources.items(), key=lambda item: (-_n_strokes(item[1]), item[0]))
    folds: list[list[Drum]] = [[] for _ in range(N_FOLDS)]
    for _, drums in by_size:
        min(folds, key=_n_strokes).extend(drums)
    return [Material(fold, material.voices[k::N_FOLDS]) for k, fold in enumerate(folds)]


def _n_strokes(drums: list[Drum]) -> int:
    return sum(len(drum.strokes) for drum in drums)


def _read_stroke(label: Label) -> list[Stroke]:
    try:
        mono, sr = _read_mono(label.path)
        onset = find_stroke(mono, sr=sr).onset
    except CatalogError as err:
        print(f"skipped {label.path.name}: {err}", file=sys.stderr)
        return []
    length_s = (len(mono) - onset) / SR
    if length_s < SHORTEST_S or (label.role in SHAKEN and len(mono) >= SHAKEN_S * SR):
        return []
    return [Stroke(mono[: onset + round(LONGEST_S * SR)], onset)]


def _read_mono(path: Path) -> tuple[np.ndarray, int]:
    audio = decode_file(path)
    mono = mix_to_mono(audio.samples)
    if audio.sr != SR:
        mono = np.asarray(soxr.resample(mono, audio.sr, SR))
    return mono.astype(np.float32), SR


def _read_voices(folder: Path) -> list[np.ndarray]:
    voices = []
    paths = sorted(p for p in folder.rglob("*") if p.suffix in VOICE_SUFFIXES)
    chosen = np.unique(np.linspace(0, len(paths) - 1, min(N_VOICES, len(paths))).astype(int))
    for path in (paths[i] for i in chosen):
        try:
            mono, _ = _read_mono(path)
        except CatalogError as err:
            print(f"skipped {path.name}: {err}", file=sys.stderr)
            continue
        if len(mono) >= 0.1 * SR and peak_of(mono) >= 0.01:
            voices.append(mono[: round(VOICE_S * SR)])
    return voices

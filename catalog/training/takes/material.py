"""Read the single strokes and the voices from which takes are built, and make plain strokes."""

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
from catalog.features.onset import ONSET_SHARE, find_stroke
from catalog.features.waveform import mix_to_mono
from catalog.training.labels import Label
from catalog.training.takes.disturbances import SR, filter_noise, peak_of

LONGEST_S = 4.0  # of a stroke after its onset
SHORTEST_S = 0.05  # shorter files were truncated when a set was made
SHAKEN_S = 1.5  # longer files of shakers and tambourines hold several strokes
SHAKEN = ("shaker", "tambourine")
VOICE_S = 8.0  # read of one file
VOICE_SUFFIXES = (".wav", ".ogg", ".flac")
MADE, MADE_STROKES = 40, 5  # plain drums, and strokes of each
NO_STROKE = re.compile(  # in a name; these files hold many grains or strokes
    "guiro|vibraslap|cuica|bell.?tree|scratch|roll|swirl|whistle|swoosh|swash|rattle|flexa|"
    "sleigh|applause|jingle|chimes|wind|rain|castanets",
    re.IGNORECASE,
)


@dataclass(frozen=True, eq=False)
class Stroke:
    """A single stroke: samples at `SR`, and the frame of its onset."""

    mono: np.ndarray
    onset: int


@dataclass(frozen=True, eq=False)
class Drum:
    """Strokes of one drum at one microphone."""

    instrument: str
    role: str
    strokes: list[Stroke]


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
    """Read the strokes of labelled files, and the voices below a folder; make plain drums."""
    drums: dict[tuple[str, str, str], Drum] = {}
    for label in labels:
        if NO_STROKE.search(f"{label.kit} {label.instrument} {label.path.stem}"):
            continue
        key = (label.kit, label.instrument, label.microphone)
        drum = drums.setdefault(key, Drum("|".join(key[:2]), label.role, []))
        drum.strokes.extend(_read_stroke(label))
    recorded = [drum for _, drum in sorted(drums.items()) if drum.strokes]
    voices = _read_voices(voice_folder) if voice_folder else []
    return Material([*recorded, *(make_drum(number) for number in range(MADE))], voices)


def split_drums(material: Material) -> tuple[Material, Material]:
    """Hold out a quarter of the drums, with all their microphones, and half of the voices."""
    held_out = {
        name for i, name in enumerate(sorted({d.instrument for d in material.drums})) if i % 4 == 3
    }
    parts = [
        [d for d in material.drums if (d.instrument in held_out) is out] for out in (False, True)
    ]
    return Material(parts[0], material.voices[::2]), Material(parts[1], material.voices[1::2])


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
    for path in sorted(p for p in folder.rglob("*") if p.suffix in VOICE_SUFFIXES):
        try:
            mono, _ = _read_mono(path)
        except CatalogError as err:
            print(f"skipped {path.name}: {err}", file=sys.stderr)
            continue
        if len(mono) >= 0.1 * SR and peak_of(mono) >= 0.01:
            voices.append(mono[: round(VOICE_S * SR)])
    return voices


def make_drum(seed: int) -> Drum:
    """Make a drum whose strokes are decaying tones or noise, as electronic percussion is."""
    rng = np.random.default_rng([9, seed])
    hz, t60_s = (
        float(np.exp(rng.uniform(np.log(low), np.log(high))))
        for low, high in ((60, 9e3), (0.06, 4))
    )
    width = rng.uniform(1.2, 20)
    role = ("crash", "hat_closed", "tom", "other")[seed % 4]
    make = _noise_stroke if seed % 2 else _tone_stroke
    strokes = [_shape(make(hz, width, t60_s, rng), t60_s, rng) for _ in range(MADE_STROKES)]
    return Drum(f"made|{seed}", role, strokes)


def _n_frames(t60_s: float) -> int:
    return round(min(3.0, 1.3 * t60_s + 0.05) * SR)


def _noise_stroke(hz: float, width: float, t60_s: float, rng: np.random.Generator) -> np.ndarray:
    y = rng.standard_normal(_n_frames(t60_s))
    if rng.random() < 0.6:
        y = filter_noise(y, "band", (max(40.0, hz / width), min(20_000.0, hz * width)))
    return y


def _tone_stroke(hz: float, _: float, t60_s: float, rng: np.random.Generator) -> np.ndarray:
    t = np.arange(_n_frames(t60_s)) / SR
    click = rng.choice([0, 0.3]) * rng.standard_normal(len(t)) * np.exp(-t / 0.02)
    return np.asarray(np.sin(2 * np.pi * hz * t + rng.uniform(0, 2 * np.pi)) + click)


def _shape(y: np.ndarray, t60_s: float, rng: np.random.Generator) -> Stroke:
    t = np.arange(len(y)) / SR
    attack_s = np.exp(rng.uniform(np.log(0.0003), np.log(0.01)))
    y = y * np.exp(-6.9 * t / t60_s) * np.minimum(1, t / attack_s)
    y *= 10 ** (-rng.uniform(0, 10) / 20) / peak_of(y)
    mono = np.concatenate([np.zeros(round(0.004 * SR)), y]).astype(np.float32)
    return Stroke(mono, int(np.argmax(np.abs(mono) > ONSET_SHARE * peak_of(mono))))

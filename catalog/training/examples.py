"""Embeddings of labelled hits, and of variations as other rooms, microphones and players make."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.features.embedding import embed_mono
from catalog.features.embedding.spectrogram import MAX_S
from catalog.features.onset import find_stroke
from catalog.features.waveform import mix_to_mono
from catalog.training.labels import Label

N_VARIATIONS = 6  # per hit; fewer for a source with many hits
FULL_SOURCE = 300  # hits; a larger source gets variations in inverse proportion
SEED = 7
Change = Callable[[np.ndarray, int, np.random.Generator], np.ndarray]


@dataclass(frozen=True, eq=False)
class Examples:
    """Measured labels: `embeddings[i]` belongs to `labels[owner[i]]`, recorded ones first."""

    labels: tuple[Label, ...]
    embeddings: np.ndarray
    owner: np.ndarray

    @property
    def is_recorded(self) -> np.ndarray:
        """True for recorded hits, False for variations."""
        return np.arange(len(self.owner)) < len(self.labels)

    @property
    def recorded(self) -> np.ndarray:
        """Embeddings of the recorded hits, in the order of the labels."""
        return np.asarray(self.embeddings[: len(self.labels)])


def measure_examples(labels: Sequence[Label], *, n_variations: int = N_VARIATIONS) -> Examples:
    """Embed each labelled hit and up to `n_variations` augmented variations of it."""
    counts = {s: sum(label.source == s for label in labels) for s in {x.source for x in labels}}
    recorded, varied, owner = [], [], list(range(len(labels)))
    for index, label in enumerate(labels):
        share = min(1.0, FULL_SOURCE / counts[label.source])
        embeddings = _embed_variations(label.path, round(n_variations * share), seed=index)
        recorded.append(embeddings[0])
        varied += embeddings[1:]
        owner += [index] * (len(embeddings) - 1)
        if sys.stderr.isatty():
            print(f"\rmeasuring {index + 1} of {len(labels)}", end="", file=sys.stderr)
    return Examples(tuple(labels), np.stack(recorded + varied), np.array(owner))


def _embed_variations(path: Path, n_variations: int, *, seed: int) -> list[np.ndarray]:
    audio = decode_file(path)
    mono, sr = mix_to_mono(audio.samples), audio.sr
    start = find_stroke(mono, sr=sr).start
    embeddings = [embed_mono(mono, sr=sr, start=start)]
    rng = np.random.default_rng([SEED, seed])
    for _ in range(n_variations):
        varied = augment_hit(mono[start : start + round(MAX_S * sr)], sr=sr, rng=rng)
        embeddings.append(embed_mono(varied, sr=sr, start=find_stroke(varied, sr=sr).start))
    return embeddings


def augment_hit(samples: np.ndarray, *, sr: int, rng: np.random.Generator) -> np.ndarray:
    """Change speed, spectrum, room, decay and noise of a mono hit at random; float32."""
    y = samples.astype(np.float64)
    for probability, change in CHANGES:
        if rng.random() < probability:
            y = change(y, sr, rng)
    return np.asarray(y / max(float(np.abs(y).max()), 1e-9) * 0.5, dtype=np.float32)


def _change_speed(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    octaves = rng.uniform(-0.22, 0.22)
    return np.interp(np.arange(0, len(y) - 1, 2.0**octaves), np.arange(len(y)), y)


def _tilt(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    """Apply a slope of about 1 dB an octave and up to three bells, with zero phase."""
    octave = np.log2(np.maximum(np.fft.rfftfreq(len(y), 1 / sr), 20.0) / 1000.0)
    gain_db = rng.normal(0, 1.0) * np.clip(octave, -5, 4)
    for _ in range(rng.integers(0, 4)):
        center, width = rng.uniform(-4.5, 4.0), rng.uniform(0.2, 1.2)
        gain_db += rng.normal(0, 3.5) * np.exp(-0.5 * ((octave - center) / width) ** 2)
    return np.fft.irfft(np.fft.rfft(y) * 10 ** (gain_db / 20), len(y))


def _drive(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    return np.asarray(np.tanh(y / np.abs(y).max() * rng.uniform(1, 5)))


def _filter(kind: str, low_hz: float, high_hz: float) -> Change:
    def change(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
        from scipy.signal import butter, sosfilt

        hz = min(rng.uniform(low_hz, high_hz), 0.45 * sr)
        return np.asarray(sosfilt(butter(2, hz, kind, fs=sr, output="sos"), y))

    return change


def _reverberate(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    from scipy.signal import oaconvolve

    t60 = rng.uniform(0.08, 0.9)
    n = int(t60 * sr)
    tail = rng.normal(size=n) * np.exp(-6.91 * np.arange(n) / sr / t60)
    wet = oaconvolve(y, tail)[: len(y) + n // 2]
    wet *= 10 ** (rng.uniform(-30, -8) / 20) * np.sqrt(np.square(y).sum() / np.square(wet).sum())
    wet[: len(y)] += y
    return np.asarray(wet)


def _damp(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    return np.asarray(y * np.exp(-np.arange(len(y)) / sr / rng.uniform(0.05, 0.8)))


def _cut_tail(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    n = min(len(y), int(rng.uniform(0.1, 1.0) * sr))
    fade = min(n, int(0.02 * sr))
    out = y[:n].copy()
    out[n - fade :] *= np.linspace(1, 0, fade)
    return out


def _add_noise(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    return y + rng.normal(size=len(y)) * np.abs(y).max() * 10 ** (rng.uniform(-75, -42) / 20)


CHANGES = (  # probability, and the change
    (0.8, _change_speed), (0.8, _tilt), (0.2, _drive),
    (0.2, _filter("lowpass", 5000, 16_000)), (0.15, _filter("highpass", 25, 90)),
    (0.35, _reverberate), (0.25, _damp), (0.25, _cut_tail), (0.25, _add_noise),
)  # fmt: skip

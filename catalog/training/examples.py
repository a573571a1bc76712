"""Embeddings of labelled hits and of augmented variations of them."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.features.embedding import embed_mono
from catalog.features.embedding.spectrogram import MAX_S
from catalog.features.onset import find_stroke
from catalog.features.waveform import mix_to_mono
from catalog.training.augment import augment_hit
from catalog.training.labels import Label

N_VARIATIONS = 6  # per hit; fewer for a source with many hits
FULL_SOURCE = 300  # hits; a larger source gets variations in inverse proportion
SEED = 7


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
    """Embed each labelled hit and variations of it.

    Parameters
    ----------
    n_variations : int, per hit; 0 for the recorded hits alone
    """
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

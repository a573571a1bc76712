"""Labelled hits, measured for fitting.

A table of labels has the columns path (below its folder), kit, instrument and role, and may have
source (kit by default), microphone, duplicate_of (rows with an entry are left out) and
true_strokes ("no" where hits of one name are different drums).
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog.errors import ParameterError
from catalog.library.metadata.role_model import RoleModel
from catalog.models import ROLES
from catalog.training.learn import fit_role_model, hit_weights

N_VARIATIONS = 6  # a hit; fewer where one source has many hits
FULL_SOURCE = 300  # hits; a source with more gets variations in inverse proportion
SEED = 7


@dataclass(frozen=True)
class Label:
    """One labelled hit; `kit` carries the source in front, as two sources may name kits alike."""

    path: Path
    source: str
    kit: str
    instrument: str
    role: str
    microphone: str
    has_siblings: bool


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


def read_labels(table: Path, folder: Path) -> list[Label]:
    """Read a table of labels; rows that repeat another file or have no known role are left out.

    Parameters
    ----------
    table : Path, CSV
    folder : Path, where the paths in the table begin

    Returns
    -------
    list of Label

    Raises
    ------
    ParameterError
        if nothing in the table can be used
    """
    with table.open(newline="", encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if not row.get("duplicate_of")]
    labels = [
        Label(
            folder / row["path"],
            row.get("source") or row["kit"],
            f"{row['source']}/{row['kit']}" if row.get("source") else row["kit"],
            row["instrument"],
            row["role"],
            row.get("microphone") or "",
            row.get("true_strokes") != "no",
        )
        for row in rows
        if row["role"] in ROLES
    ]
    if not labels:
        raise ParameterError(f"{table.name}: no row has a role out of {', '.join(ROLES)}")
    return labels


def measure_examples(labels: Sequence[Label], *, n_variations: int = N_VARIATIONS) -> Examples:
    """Take the embedding of each labelled hit and of variations of it.

    Parameters
    ----------
    labels : sequence of Label
    n_variations : int, a hit; 0 for the recorded hits alone

    Returns
    -------
    Examples
    """
    counts = {s: sum(label.source == s for label in labels) for s in {x.source for x in labels}}
    recorded, varied, owner = [], [], list(range(len(labels)))
    for at, label in enumerate(labels):
        share = min(1.0, FULL_SOURCE / counts[label.source])
        embeddings = _embeddings_of(label.path, round(n_variations * share), seed=at)
        recorded.append(embeddings[0])
        varied += embeddings[1:]
        owner += [at] * (len(embeddings) - 1)
        if sys.stderr.isatty():
            print(f"\rmeasuring {at + 1} of {len(labels)}", end="", file=sys.stderr)
    return Examples(tuple(labels), np.stack(recorded + varied), np.array(owner))


def _embeddings_of(path: Path, n_variations: int, *, seed: int) -> list[np.ndarray]:
    from catalog.audio.decode import decode_file
    from catalog.features.embedding import embed_mono
    from catalog.features.onset import find_stroke
    from catalog.features.spectrogram import MAX_S
    from catalog.features.waveform import mix_to_mono
    from catalog.training.augment import vary_hit

    audio = decode_file(path)
    mono = mix_to_mono(audio.samples)
    start = find_stroke(mono, sr=audio.sr).start
    embeddings = [embed_mono(mono, sr=audio.sr, start=start)]
    rng = np.random.default_rng([SEED, seed])
    for _ in range(n_variations):
        varied = vary_hit(mono[start : start + round(MAX_S * audio.sr)], sr=audio.sr, rng=rng)
        at = find_stroke(varied, sr=audio.sr).start
        embeddings.append(embed_mono(varied, sr=audio.sr, start=at))
    return embeddings


def fit_roles(examples: Examples, allowed: np.ndarray, *, temperature: float = 1.0) -> RoleModel:
    """Fit the role model on some of the labels.

    Parameters
    ----------
    examples : Examples
    allowed : np.ndarray, bool, shape (n_labels,)
    temperature : float

    Returns
    -------
    RoleModel
    """
    use = allowed[examples.owner]
    roles = np.array([label.role for label in examples.labels])[examples.owner][use]
    sources = np.array([label.source for label in examples.labels])[examples.owner][use]
    return fit_role_model(
        examples.embeddings[use],
        roles,
        weights=hit_weights(roles, sources),
        is_recorded=examples.is_recorded[use],
        temperature=temperature,
        seed=SEED,
    )


def drum_names(labels: Sequence[Label]) -> np.ndarray:
    """Name of each hit's drum through one microphone and through any; shape (n_labels, 2)."""
    names = [
        (f"{x.kit}|{x.instrument}|{x.microphone}", f"{x.kit}|{x.instrument}")
        if x.has_siblings
        else ("", "")
        for x in labels
    ]
    return np.array(names)

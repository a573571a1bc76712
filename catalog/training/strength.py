"""Fit anew what colour says of strength.

Run: `python -m catalog.training.strength LABELS_CSV FOLDER [...]`.

Tables and folders come in pairs, see `catalog.training.examples`; the column `layer` is the
order of strength within (kit, instrument, microphone), a larger number being harder. Each file is
brought to one peak before it is measured. What is printed is the rank correlation with the layers,
each source in turn left out of the fit.
"""

from __future__ import annotations

import csv
import sys
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.errors import CatalogError
from catalog.features.measure import measure_audio
from catalog.search.strength import (
    STRENGTH_FILE,
    StrengthModel,
    center_columns,
    estimate_strengths,
    strength_features,
)

PEAK = 0.9  # that every file is brought to, of full scale
RIDGE = 1.0  # 0.3 to 3 were alike


@dataclass(frozen=True, eq=False)
class LayeredDrum:
    """Strokes of one drum with the order of their strength.

    Attributes
    ----------
    source, name : str
    layers : np.ndarray, shape (n,), larger is harder
    loudness : np.ndarray, shape (n,), LKFS as recorded
    features : np.ndarray, shape (n, n_features), at one peak
    embeddings : np.ndarray, shape (n, EMBEDDING_DIM), at one peak
    """

    source: str
    name: str
    layers: np.ndarray
    loudness: np.ndarray
    features: np.ndarray
    embeddings: np.ndarray


def main(arguments: Sequence[str]) -> int:
    """Fit the file beside the code that reads it.

    Parameters
    ----------
    arguments : sequence of str, pairs of a table of labels and its folder

    Returns
    -------
    int, exit status
    """
    if not arguments or len(arguments) % 2:
        print(__doc__, file=sys.stderr)
        return 2
    paths = [Path(argument) for argument in arguments]
    tables = zip(paths[::2], paths[1::2], strict=True)
    drums = [drum for table, folder in tables for drum in read_layers(table, folder)]
    for source in sorted({drum.source for drum in drums}):
        rest = [drum for drum in drums if drum.source != source]
        left_out = [d for d in drums if d.source == source and len(set(d.layers)) > 2]
        if rest and left_out:
            raw, heard = rank_correlations(left_out, fit_strengths(rest))
            print(
                f"{source}: {len(raw)} drums, raw {raw.mean():.3f}, at one peak {heard.mean():.3f}"
            )
    fit_strengths(drums).save(STRENGTH_FILE)
    return 0


def read_layers(table: Path, folder: Path) -> list[LayeredDrum]:
    """Measure the drums of a table that have more than one layer.

    Parameters
    ----------
    table : Path, CSV
    folder : Path, where its paths begin

    Returns
    -------
    list of LayeredDrum
    """
    with table.open(newline="", encoding="utf-8") as file:
        rows = [r for r in csv.DictReader(file) if r.get("layer") and not r.get("duplicate_of")]
    drums: dict[tuple[str, ...], list[dict[str, str]]] = defaultdict(list)
    for row in rows:
        source = row.get("source") or row["kit"]
        drums[source, row["kit"], row["instrument"], row.get("microphone") or ""].append(row)
    found = []
    for (source, *names), members in sorted(drums.items()):
        if len({row["layer"] for row in members}) < 2:
            continue
        try:
            strokes = [_measure(folder / row["path"]) for row in members]
        except CatalogError as err:
            print(f"left out: {err}", file=sys.stderr)
            continue
        loudness, rows_of, embeddings = (np.array(part) for part in zip(*strokes, strict=True))
        layers = np.array([float(row["layer"]) for row in members])
        found.append(LayeredDrum(source, " ".join(names), layers, loudness, rows_of, embeddings))
    return found


def _measure(path: Path) -> tuple[float, np.ndarray, np.ndarray]:
    audio = decode_file(path)
    loudness = measure_audio(audio).descriptors["loudness_lkfs"]
    measures = measure_audio(_at_one_peak(audio))
    return (
        loudness,
        strength_features(measures.descriptors, measures.production),
        measures.embedding,
    )


def _at_one_peak(audio: Audio) -> Audio:
    peak = float(np.abs(audio.samples).max(initial=0.0))
    return replace(audio, samples=audio.samples * np.float32(PEAK / peak)) if peak > 0 else audio


def fit_strengths(drums: Sequence[LayeredDrum], *, ridge: float = RIDGE) -> StrengthModel:
    """Learn the weights by ridge regression on ranks, then their size from the loudness.

    Parameters
    ----------
    drums : sequence of LayeredDrum
    ridge : float, above 0

    Returns
    -------
    StrengthModel
    """
    apart = [center_columns(drum.features) for drum in drums]
    shares = np.concatenate([np.full(len(x), len(x) ** -0.5) for x in apart])
    shares /= shares.sum()
    x = np.vstack(apart)
    scale = np.sqrt(shares @ np.square(x)) + 1e-9
    x = x / scale
    y = np.concatenate([_ranks(drum.layers) for drum in drums])
    squares = (x * shares[:, None]).T @ x + ridge * np.eye(x.shape[1])
    weights = np.linalg.solve(squares, x.T @ (shares * y))
    loudness = np.concatenate([center_columns(drum.loudness) for drum in drums])
    plain = x @ weights
    return StrengthModel(scale, weights * float(plain @ loudness / (plain @ plain)))


def rank_correlations(
    drums: Sequence[LayeredDrum], model: StrengthModel
) -> tuple[np.ndarray, np.ndarray]:
    """Spearman's coefficient with the layers, of the loudness and of what is heard, by drum.

    Returns
    -------
    tuple of np.ndarray, shape (n_drums,); 0 where all strokes are judged alike
    """
    raw = [_spearman(drum.loudness, drum.layers) for drum in drums]
    heard = [
        _spearman(estimate_strengths(drum.features, drum.embeddings, model=model), drum.layers)
        for drum in drums
    ]
    return np.array(raw), np.array(heard)


def _ranks(values: np.ndarray) -> np.ndarray:
    """Ranks about zero with a deviation of one; equal values share theirs."""
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    ranks = (np.cumsum(counts) - 0.5 * counts)[inverse]
    return (ranks - ranks.mean()) / max(float(ranks.std()), 1e-9)


def _spearman(a: np.ndarray, b: np.ndarray) -> float:
    return float(_ranks(a) @ _ranks(b)) / len(a)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

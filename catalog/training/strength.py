"""Fit the model of playing strength for strokes whose level was normalized.

The column `layer` of a table orders strength within source, kit, instrument and microphone; a
larger number is harder. Every file is brought to one peak before it is measured.
"""

from __future__ import annotations

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
from catalog.search.drums.strength import (
    StrengthModel,
    center_columns,
    estimate_strengths,
    strength_features,
)
from catalog.training.labels import read_rows

PEAK = 0.9  # of every file, full scale 1.0
RIDGE = 1.0  # 0.3 to 3 gave equal results
MIN_LAYERS = 3  # of a drum whose rank correlation is reported


@dataclass(frozen=True, eq=False)
class LayeredDrum:
    """Strokes of one drum with the order of their strength."""

    source: str
    name: str
    layers: np.ndarray  # shape (n,), larger is harder
    loudness: np.ndarray  # shape (n,), LKFS as recorded
    features: np.ndarray  # shape (n, n_features), at one peak
    embeddings: np.ndarray  # shape (n, EMBEDDING_DIM), at one peak


def read_layers(table: Path, folder: Path) -> list[LayeredDrum]:
    """Measure the drums of a table, with paths below `folder`, that have more than one layer."""
    drums: dict[tuple[str, ...], list[dict[str, str]]] = defaultdict(list)
    for row in read_rows(table):
        if row.get("layer"):
            source = row.get("source") or row["kit"]
            drums[source, row["kit"], row["instrument"], row.get("microphone") or ""].append(row)
    measured = []
    for (source, *names), rows in sorted(drums.items()):
        if len({row["layer"] for row in rows}) > 1:
            try:
                measured.append(_measure_drum(source, " ".join(names), rows, folder))
            except CatalogError as err:
                print(f"skipped {source} {' '.join(names)}: {err}", file=sys.stderr)
    return measured


def _measure_drum(
    source: str, name: str, rows: Sequence[dict[str, str]], folder: Path
) -> LayeredDrum:
    strokes = [_measure_stroke(folder / row["path"]) for row in rows]
    columns = (np.array(column) for column in zip(*strokes, strict=True))
    return LayeredDrum(source, name, np.array([float(row["layer"]) for row in rows]), *columns)


def _measure_stroke(path: Path) -> tuple[float, np.ndarray, np.ndarray]:
    audio = decode_file(path)
    loudness = measure_audio(audio).descriptors["loudness_lkfs"]
    measures = measure_audio(_normalize_peak(audio))
    features = strength_features(measures.descriptors, measures.production)
    return loudness, features, measures.embedding


def _normalize_peak(audio: Audio) -> Audio:
    peak = float(np.abs(audio.samples).max(initial=0.0))
    return replace(audio, samples=audio.samples * np.float32(PEAK / peak)) if peak > 0 else audio


def fit_strength_model(drums: Sequence[LayeredDrum]) -> StrengthModel:
    """Fit the weights by ridge regression on ranks, and scale them to the spread of the loudness.

    The slope of a regression on the loudness would shrink the spread by the correlation.
    """
    centered = [center_columns(drum.features) for drum in drums]
    shares = np.concatenate([np.full(len(x), len(x) ** -0.5) for x in centered])
    shares /= shares.sum()
    x = np.vstack(centered)
    scale = np.sqrt(shares @ np.square(x)) + 1e-9
    x = x / scale
    y = np.concatenate([_standard_ranks(drum.layers) for drum in drums])
    squares = (x * shares[:, None]).T @ x + RIDGE * np.eye(x.shape[1])
    weights = np.linalg.solve(squares, x.T @ (shares * y))
    loudness = np.concatenate([center_columns(drum.loudness) for drum in drums])
    predicted = x @ weights
    spread = float((loudness @ loudness) / (predicted @ predicted)) ** 0.5
    return StrengthModel(scale, weights * spread)


def print_rank_correlations(drums: Sequence[LayeredDrum]) -> None:
    """Print the rank correlation with the layers, each source held out of the fit in turn."""
    for source in sorted({drum.source for drum in drums}):
        rest = [drum for drum in drums if drum.source != source]
        held_out = [d for d in drums if d.source == source and len(set(d.layers)) >= MIN_LAYERS]
        if rest and held_out:
            recorded, estimated = rank_correlations(held_out, fit_strength_model(rest))
            print(
                f"{source}: {len(held_out)} drums, loudness as recorded {recorded.mean():.3f}, "
                f"estimated at one peak {estimated.mean():.3f}"
            )


def rank_correlations(
    drums: Sequence[LayeredDrum], model: StrengthModel
) -> tuple[np.ndarray, np.ndarray]:
    """Return Spearman's coefficient with the layers, of the loudness and of the estimates.

    Each has shape (n_drums,), with 0 where all strokes get one value.
    """
    recorded = [_spearman(drum.loudness, drum.layers) for drum in drums]
    estimated = [
        _spearman(estimate_strengths(drum.features, drum.embeddings, model=model), drum.layers)
        for drum in drums
    ]
    return np.array(recorded), np.array(estimated)


def _standard_ranks(values: np.ndarray) -> np.ndarray:
    """Return ranks with mean 0 and deviation 1; equal values share their rank."""
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    ranks = (np.cumsum(counts) - 0.5 * counts)[inverse]
    return (ranks - ranks.mean()) / max(float(ranks.std()), 1e-9)


def _spearman(a: np.ndarray, b: np.ndarray) -> float:
    return float(_standard_ranks(a) @ _standard_ranks(b)) / len(a)

"""Strength of strokes whose files were normalized, estimated from their timbre.

A harder stroke is brighter, starts faster, rises further above the noise floor and takes longer to
decay to it. The weights are fitted by `catalog.training` on velocity layers of known order
and are valid for differences within one drum only. Strokes of one drum differ mostly in strength,
so the estimates are shrunk towards the first principal axis of their embeddings.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from catalog.audio.model import LOSSY_SUBTYPES
from catalog.errors import StoreError
from catalog.features import MEASURE_VERSION
from catalog.features.production import PRODUCTION_NAMES
from catalog.models import Hit

STRENGTH_FILE = Path(__file__).with_name("strength.npz")
NORMALIZED_DB = 0.1  # strokes whose peak or loudness differs less were normalized
NORMALIZED_LOSSY_DB = 0.5  # for three or more lossy files: the codec changes peaks slightly
STEP_LU = 0.5  # estimates are rounded to this: a smaller difference is not reliable
AXIS_WEIGHT = 0.6  # of the estimate along the principal axis; 0.5 to 0.75 performed equally
MIN_STROKES_FOR_AXIS = 3
LOG_FEATURES = (
    "attack_s", "decay20_s", "decay60_s", "centroid_hz", "rolloff_hz", "tail_s",
)  # fmt: skip
LINEAR_FEATURES = ("flatness", "crest_db", "mode_share", "seen_db")
PEAK_RELATIVE_DB = ("floor_before_db", "floor_lowest_db")
GAIN_FREE = ("edge", "slope", "share", "end_db", "after", "late", "crest", "band", "fall")
GAIN_FREE_NAMES = tuple(name for name in PRODUCTION_NAMES if name.startswith(GAIN_FREE))
LOG_FLOOR = 1e-4  # smallest argument of a logarithm

ReadRows = Callable[[Sequence[int]], np.ndarray]


@dataclass(frozen=True, eq=False)
class StrengthModel:
    """Linear regression from differences in the features to a difference in strength."""

    scale: np.ndarray  # shape (n_features,), typical differences within a drum
    weights: np.ndarray  # shape (n_features,), LU for each scaled feature

    def save(self, path: Path) -> None:
        """Write the arrays and the version of the measures they were fitted on."""
        arrays = {f.name: np.asarray(getattr(self, f.name), np.float32) for f in fields(self)}
        np.savez_compressed(path, allow_pickle=False, version=MEASURE_VERSION, **arrays)


@lru_cache(maxsize=1)
def load_model() -> StrengthModel:
    """Load the shipped model once; `StoreError` if it was fitted on other features."""
    with np.load(STRENGTH_FILE, allow_pickle=False) as arrays:
        if len(arrays["weights"]) != len(strength_feature_names()):
            raise StoreError(
                f"{STRENGTH_FILE.name}: was fitted on other features;"
                " run `python -m catalog.training strength` again"
            )
        return StrengthModel(arrays["scale"], arrays["weights"])


def strength_feature_names() -> tuple[str, ...]:
    """Return the names of `strength_features`, in their order."""
    relative = ("quietest_db", "loudness_lkfs", *PEAK_RELATIVE_DB)
    return (*LOG_FEATURES, *LINEAR_FEATURES, *relative, *GAIN_FREE_NAMES)


def strength_features(descriptors: Mapping[str, float], production: np.ndarray) -> np.ndarray:
    """Return features that depend on a stroke's strength but not on its gain.

    Parameters
    ----------
    descriptors : mapping of str to float, see `catalog.features.descriptors.table`
    production : np.ndarray, shape (len(PRODUCTION_NAMES),)

    Returns
    -------
    np.ndarray, float64, shape (n_features,); NaN where a feature is not defined
    """
    numbers = dict(zip(PRODUCTION_NAMES, map(float, production), strict=False))
    peak_db = descriptors.get("peak_db", math.nan)
    values = [
        *(math.log(max(descriptors.get(name, math.nan), LOG_FLOOR)) for name in LOG_FEATURES),
        *(descriptors.get(name, math.nan) for name in LINEAR_FEATURES),
        descriptors.get("quietest_db", math.nan) - peak_db,
        descriptors.get("loudness_lkfs", math.nan) - peak_db,
        *(numbers.get(n, math.nan) - numbers.get("peak_db", math.nan) for n in PEAK_RELATIVE_DB),
        *(numbers.get(name, math.nan) for name in GAIN_FREE_NAMES),
    ]
    features = np.array(values, np.float64)
    features[~np.isfinite(features)] = math.nan
    return features


def estimate_strengths(
    features: np.ndarray, embeddings: np.ndarray, *, model: StrengthModel | None = None
) -> np.ndarray:
    """Estimate the strengths of one drum's strokes through one microphone.

    Parameters
    ----------
    features : np.ndarray, shape (n, n_features), see `strength_features`
    embeddings : np.ndarray, shape (n, EMBEDDING_DIM)
    model : StrengthModel, optional, the shipped one by default

    Returns
    -------
    np.ndarray, float64, shape (n,), LU relative to their mean, in steps of `STEP_LU`

    References
    ----------
    Designed for this project; that harder strokes are brighter is common practice, no published
    source.
    """
    model = model or load_model()
    estimate = center_columns(features) / model.scale @ model.weights
    if len(estimate) >= MIN_STROKES_FOR_AXIS:
        left, _, _ = np.linalg.svd(center_columns(embeddings), full_matrices=False)
        along_axis = left[:, 0] * (left[:, 0] @ estimate)
        estimate = AXIS_WEIGHT * along_axis + (1.0 - AXIS_WEIGHT) * estimate
    return STEP_LU * np.round(estimate / STEP_LU)


def center_columns(values: np.ndarray) -> np.ndarray:
    """Subtract the mean of each column; values that are not finite become 0."""
    values = np.asarray(values, np.float64)
    is_known = np.isfinite(values)
    mean = np.where(is_known, values, 0.0).sum(axis=0) / np.maximum(is_known.sum(axis=0), 1)
    return np.where(is_known, values - mean, 0.0)


def is_level_normalized(hits: Sequence[Hit]) -> bool:
    """Return whether all strokes of a drum have the same peak or the same loudness.

    `hits` are of one drum through one microphone; a single stroke does not count as normalized.
    """
    if len(hits) < 2:
        return False
    is_lossy = len(hits) > 2 and any(hit.subtype in LOSSY_SUBTYPES for hit in hits)
    limit_db = NORMALIZED_LOSSY_DB if is_lossy else NORMALIZED_DB
    for name in ("peak_db", "loudness_lkfs"):
        levels = [hit.descriptors.get(name, math.nan) for hit in hits]
        if max(levels) - min(levels) < limit_db and all(map(math.isfinite, levels)):
            return True
    return False


def estimate_missing_strengths(
    selected: Iterable[Hit], hits: Sequence[Hit], *, embeddings: ReadRows, production: ReadRows
) -> dict[int, Hit]:
    """Estimate the strengths of all strokes of the selected drums whose level was normalized.

    Parameters
    ----------
    selected : iterable of Hit, one or more of each drum
    hits : sequence of Hit, the whole library
    embeddings, production : callable, return one row for each id of a sequence

    Returns
    -------
    dict of id to Hit
        every stroke of those drums with `heard_lkfs` set, the strongest to its own loudness. Drums
        that were not normalized and hits of unknown drums are left out
    """
    selected_drums = {_drum_key(hit) for hit in selected if hit.drum}
    strokes_of: dict[tuple[str, ...], list[Hit]] = defaultdict(list)
    for hit in hits:
        if hit.drum and (key := _drum_key(hit)) in selected_drums:
            strokes_of[key].append(hit)
    estimated: dict[int, Hit] = {}
    for strokes in filter(is_level_normalized, strokes_of.values()):
        ids = [hit.id for hit in strokes]
        rows = zip(strokes, production(ids), strict=True)
        features = np.array([strength_features(hit.descriptors, row) for hit, row in rows])
        strengths = estimate_strengths(features, embeddings(ids))
        strongest = int(strengths.argmax())
        loudness = strokes[strongest].descriptors["loudness_lkfs"]
        for hit, strength in zip(strokes, strengths - strengths[strongest], strict=True):
            estimated[hit.id] = replace(hit, heard_lkfs=float(loudness + strength))
    return estimated


def _drum_key(hit: Hit) -> tuple[str, ...]:
    return hit.session, hit.drum, hit.microphone, hit.role

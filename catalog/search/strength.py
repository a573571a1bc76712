"""How hard a stroke was where its level was normalised away: heard from its colour.

A harder stroke is brighter, starts faster, stands further above its noise and rings longer before
it meets it. The weights were learned from layers whose order is known, see
`catalog.training.strength`, and speak of differences within one drum only. Strokes of one
drum vary mostly by strength, so their estimates are drawn towards the line along which their
embeddings vary most.
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
from catalog.features.measure import MEASURE_VERSION
from catalog.features.production import PRODUCTION_NAMES
from catalog.models import Hit

STRENGTH_FILE = Path(__file__).with_name("strength.npz")
ONE_LEVEL_DB = 0.1  # strokes that differ less in peak or in loudness were set to one level
ONE_LEVEL_LOSSY_DB = 0.5  # three or more through a lossy coder, which moves peaks a little
STEP_LU = 0.5  # estimates are rounded: less is no difference that could be heard out
TO_THE_LINE = 0.6  # share of the estimate that is taken from the line; 0.5 to 0.75 were alike
LEAST_ON_A_LINE = 3  # strokes
IN_OCTAVES = (
    "attack_s",
    "decay20_s",
    "decay60_s",
    "centroid_hz",
    "rolloff_hz",
    "body_hz",
    "length_s",
)
AS_THEY_ARE = ("flatness", "crest_db")
UNDER_THE_PEAK = ("floor_before_db", "floor_lowest_db")
TRACE_STARTS = ("edge", "slope", "share", "end_db", "after", "late", "crest", "band", "fall")
TRACE_NAMES = tuple(name for name in PRODUCTION_NAMES if name.startswith(TRACE_STARTS))
LEAST = 1e-4  # of what is taken as a logarithm

Drum = tuple[str, str, str, str]
Arrays = Callable[[Sequence[int]], np.ndarray]


@dataclass(frozen=True, eq=False)
class StrengthModel:
    """What a difference of each colour says of strength.

    Attributes
    ----------
    scale : np.ndarray, shape (n_features,), usual differences within a drum
    weights : np.ndarray, shape (n_features,), LU for each of them
    """

    scale: np.ndarray
    weights: np.ndarray

    def save(self, path: Path) -> None:
        """Write the arrays and the version of the numbers that they were fitted on."""
        arrays = {f.name: np.asarray(getattr(self, f.name), np.float32) for f in fields(self)}
        np.savez_compressed(path, allow_pickle=False, version=MEASURE_VERSION, **arrays)

    @classmethod
    def load(cls, path: Path = STRENGTH_FILE) -> StrengthModel:
        """Read the arrays; `StoreError` if they were fitted on other numbers."""
        with np.load(path, allow_pickle=False) as arrays:
            if len(arrays["weights"]) != len(strength_feature_names()):
                raise StoreError(f"{path.name} was fitted on other numbers; fit it anew")
            return cls(arrays["scale"], arrays["weights"])


@lru_cache(maxsize=1)
def load_model() -> StrengthModel:
    """The shipped arrays, read once."""
    return StrengthModel.load()


def strength_feature_names() -> tuple[str, ...]:
    """Name the strength_features in the order of `strength_features`."""
    return (*IN_OCTAVES, *AS_THEY_ARE, "floor_db", "loudness_lkfs", *UNDER_THE_PEAK, *TRACE_NAMES)


def strength_features(descriptors: Mapping[str, float], production: np.ndarray) -> np.ndarray:
    """What is left of a stroke's strength when its level is gone.

    Parameters
    ----------
    descriptors : mapping of str to float, see `catalog.features.descriptors`
    production : np.ndarray, shape (len(PRODUCTION_NAMES),)

    Returns
    -------
    np.ndarray, float64, shape (n_features,)
        the same whatever the gain; NaN where a number is not defined
    """
    traces = dict(zip(PRODUCTION_NAMES, map(float, production), strict=False))
    peak_db = descriptors.get("peak_db", math.nan)
    logs = [math.log(max(descriptors.get(name, math.nan), LEAST)) for name in IN_OCTAVES]
    values = [
        *logs,
        *(descriptors.get(name, math.nan) for name in AS_THEY_ARE),
        descriptors.get("floor_db", math.nan) - peak_db,
        descriptors.get("loudness_lkfs", math.nan) - peak_db,
        *(traces.get(name, math.nan) - traces.get("peak_db", math.nan) for name in UNDER_THE_PEAK),
        *(traces.get(name, math.nan) for name in TRACE_NAMES),
    ]
    found = np.array(values, np.float64)
    found[~np.isfinite(found)] = math.nan
    return found


def estimate_strengths(
    colours_of: np.ndarray, embeddings: np.ndarray, *, model: StrengthModel | None = None
) -> np.ndarray:
    """Estimate the strengths of one drum's strokes through one microphone.

    Parameters
    ----------
    colours_of : np.ndarray, shape (n, n_features), see `strength_features`
    embeddings : np.ndarray, shape (n, EMBEDDING_DIM)
    model : StrengthModel, optional, the shipped one by default

    Returns
    -------
    np.ndarray, float64, shape (n,), LU against their mean, in steps of `STEP_LU`

    References
    ----------
    The project's own; that harder strokes are brighter is common practice, no source.
    """
    model = model or load_model()
    apart = center_columns(colours_of)
    by_colour = apart / model.scale @ model.weights
    estimate = by_colour
    if len(by_colour) >= LEAST_ON_A_LINE:
        places, _, _ = np.linalg.svd(center_columns(embeddings), full_matrices=False)
        on_line = places[:, 0] * (places[:, 0] @ by_colour)
        estimate = TO_THE_LINE * on_line + (1.0 - TO_THE_LINE) * by_colour
    return STEP_LU * np.round(estimate / STEP_LU)


def center_columns(values: np.ndarray) -> np.ndarray:
    """Differences from the mean of each column; none where a value is not known."""
    values = np.asarray(values, np.float64)
    known = np.isfinite(values)
    mean = np.where(known, values, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    return np.where(known, values - mean, 0.0)


def is_level_normalized(hits: Sequence[Hit]) -> bool:
    """Whether strokes of one drum were all set to one peak or to one loudness.

    Parameters
    ----------
    hits : sequence of Hit, of one drum through one microphone

    Returns
    -------
    bool
    """
    if len(hits) < 2:
        return False
    lossy = len(hits) > 2 and any(hit.subtype in LOSSY_SUBTYPES for hit in hits)
    limit_db = ONE_LEVEL_LOSSY_DB if lossy else ONE_LEVEL_DB
    for name in ("peak_db", "loudness_lkfs"):
        levels = [hit.descriptors.get(name, math.nan) for hit in hits]
        if max(levels) - min(levels) < limit_db and all(map(math.isfinite, levels)):
            return True
    return False


def estimate_missing_strengths(
    some: Iterable[Hit], hits: Sequence[Hit], *, embeddings: Arrays, production: Arrays
) -> dict[int, Hit]:
    """Hits of drums whose level is gone, with the strength that is heard from their colour.

    Parameters
    ----------
    some : iterable of Hit, whose drums are asked for
    hits : sequence of Hit, all there are
    embeddings, production : callable, give the rows of ids

    Returns
    -------
    dict of id to Hit
        every stroke of those drums; the strongest stands at its own loudness. A drum with levels of
        its own is not in it, nor are hits whose drum is not known
    """
    wanted = {drum_of(hit) for hit in some if hit.drum}
    drums: dict[Drum, list[Hit]] = defaultdict(list)
    for hit in hits:
        if hit.drum and (drum := drum_of(hit)) in wanted:
            drums[drum].append(hit)
    found: dict[int, Hit] = {}
    for members in drums.values():
        if not is_level_normalized(members):
            continue
        ids = [hit.id for hit in members]
        colour_rows = [
            strength_features(hit.descriptors, row)
            for hit, row in zip(members, production(ids), strict=True)
        ]
        heard = estimate_strengths(np.array(colour_rows), embeddings(ids))
        top = int(heard.argmax())
        loudness = members[top].descriptors["loudness_lkfs"]
        for hit, strength in zip(members, heard - heard[top], strict=True):
            found[hit.id] = replace(hit, heard_lkfs=float(loudness + strength))
    return found


def drum_of(hit: Hit) -> Drum:
    """What strokes of one drum through one microphone have in common."""
    return (hit.session, hit.drum, hit.microphone, hit.role)

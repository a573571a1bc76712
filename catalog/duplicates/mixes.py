"""Finished hits that are a mix of the microphones of one stroke."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from catalog.audio.model import Audio
from catalog.errors import AudioError
from catalog.matching.mixes import fit_mix
from catalog.models import Hit

N_STROKES = 20  # nearest strokes that a finished hit is compared with
MAX_DISTANCE = 2.0  # in units of the space's reach; 32 mixes of 16 drums have up to 1.6
HITS_AT_ONCE = 256  # rows of distances


@dataclass(frozen=True)
class MixedCopy:
    """A finished hit that is a mix of the microphones of a stroke.

    Attributes
    ----------
    hit_id : int, the finished hit
    stroke_id : int, the hit that stands for the stroke
    levels_db : mapping of str to float
        level of each microphone in the mix, the loudest at 0 dB
    share : float, energy that the mix and the hit have in common, 0 to 1
    """

    hit_id: int
    stroke_id: int
    levels_db: dict[str, float]
    share: float


def find_mixed_copies(
    hits: Sequence[Hit],
    points: np.ndarray,
    microphones: Sequence[Hit],
    microphone_points: np.ndarray,
    *,
    read: Callable[[Hit], Audio],
) -> list[MixedCopy]:
    """Find the finished hits that are a mix of the microphones of a stroke.

    Parameters
    ----------
    hits : sequence of Hit, finished hits of one microphone or mix each
    points : np.ndarray, shape (n_hits, n_dims)
        see `catalog.matching.candidates.project_embeddings`
    microphones : sequence of Hit, all microphones of strokes that have several
    microphone_points : np.ndarray, shape (n_microphones, n_dims)
    read : callable, returns the samples of a hit

    Returns
    -------
    list of MixedCopy, in the order of `hits`; files that cannot be read are left out
    """
    by_stroke: dict[int, list[Hit]] = {}
    for hit in microphones:
        by_stroke.setdefault(hit.stroke, []).append(hit)
    strokes = np.array([hit.stroke for hit in microphones])
    found = []
    for start in range(0, len(hits) if len(strokes) else 0, HITS_AT_ONCE):
        batch = points[start : start + HITS_AT_ONCE]
        distances = np.linalg.norm(batch[:, None] - microphone_points[None], axis=2)
        for hit, row in zip(hits[start:], distances, strict=False):
            order = np.argsort(row)
            nearest = dict.fromkeys(strokes[order[row[order] <= MAX_DISTANCE]].tolist())
            found += _match(hit, [by_stroke[s] for s in list(nearest)[:N_STROKES]], read)
    return found


def _match(
    hit: Hit, strokes: Sequence[Sequence[Hit]], read: Callable[[Hit], Audio]
) -> list[MixedCopy]:
    """Return the stroke whose microphones make the hit, or nothing."""
    try:
        audio = read(hit)
    except AudioError:
        return []
    for microphones in strokes:
        try:
            recorded = [read(microphone) for microphone in microphones]
        except AudioError:
            continue
        fit = fit_mix(audio, recorded)
        if fit is not None and fit.is_copy:
            levels = _levels_db(microphones, recorded, fit.gains)
            return [MixedCopy(hit.id, microphones[0].stroke, levels, fit.classification.share)]
    return []


def _levels_db(
    microphones: Sequence[Hit], recorded: Sequence[Audio], gains: np.ndarray
) -> dict[str, float]:
    """Return the level of each microphone in the mix, dB; its channels count together."""
    energies = {}
    row = 0
    for microphone, audio in zip(microphones, recorded, strict=True):
        n = audio.samples.shape[1]
        signal = audio.samples @ gains[row : row + n]
        name = microphone.microphone or microphone.name
        energies[name] = float((signal.astype(np.float64) ** 2).sum()) + 1e-12
        row += n
    loudest = max(energies.values())
    return {name: 10 * float(np.log10(energy / loudest)) for name, energy in energies.items()}

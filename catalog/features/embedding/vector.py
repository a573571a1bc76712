"""The blocks of the embedding joined; it does not depend on gain, polarity or leading silence."""

from __future__ import annotations

import itertools

import numpy as np

from catalog.features.embedding import spectrogram
from catalog.features.embedding.timbre import N_TIMBRE, measure_timbre

BLOCK_SIZES = {
    "spectrogram": spectrogram.N_SPECTROGRAM,
    "low_spectrogram": spectrogram.N_LOW_SPECTROGRAM,
    "fine_spectrum": spectrogram.N_FINE_SPECTRUM,
    "timbre": N_TIMBRE,
}
EMBEDDING_DIM = sum(BLOCK_SIZES.values())
_STOPS = itertools.accumulate(BLOCK_SIZES.values())
EMBEDDING_BLOCKS = {
    name: slice(stop - size, stop)
    for (name, size), stop in zip(BLOCK_SIZES.items(), _STOPS, strict=True)
}
TIMBRE_CLIP = 5.0  # standard deviations; keeps one outlier from dominating all distances
EMBEDDING_VERSION = 1  # raise it when a number changes, then retrain the shipped arrays


def embed_mono(mono: np.ndarray, *, sr: int, start: int) -> np.ndarray:
    """Compute the embedding of a hit.

    Parameters
    ----------
    mono : np.ndarray, shape (n,)
    sr : int, Hz
    start : int, frames; `catalog.features.onset.LEAD_S` before the onset

    Returns
    -------
    np.ndarray, float32, shape (EMBEDDING_DIM,)
    """
    y = spectrogram.prepare_mono(mono, sr=sr, start=start)
    powers = spectrogram.frame_powers(y)
    low, long_powers = spectrogram.low_band(y), spectrogram.long_frame_powers(y)
    blocks = (
        spectrogram.band_spectrogram(powers),
        spectrogram.low_spectrogram(low),
        spectrogram.fine_spectrum(long_powers),
        measure_timbre(y, powers=powers, low=low, long_powers=long_powers),
    )
    return np.concatenate(blocks)


def standardize_embeddings(
    embeddings: np.ndarray, mean: np.ndarray, scale: np.ndarray
) -> np.ndarray:
    """Center and scale embeddings; clip the timbre block to `TIMBRE_CLIP` standard deviations.

    Parameters
    ----------
    embeddings : np.ndarray, shape (n, EMBEDDING_DIM)
    mean, scale : np.ndarray, shape (EMBEDDING_DIM,)

    Returns
    -------
    np.ndarray, float32, shape (n, EMBEDDING_DIM)
    """
    centered = (embeddings - mean) / scale
    timbre = centered[:, EMBEDDING_BLOCKS["timbre"]]
    np.clip(timbre, -TIMBRE_CLIP, TIMBRE_CLIP, out=timbre)
    return np.asarray(centered, dtype=np.float32)

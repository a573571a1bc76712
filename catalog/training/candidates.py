"""Fit the space of candidate pairs: far between recordings, near between a hit and its edits."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from catalog.features.embedding import standardize_embeddings
from catalog.matching.candidates import CandidateSpace
from catalog.training.pairs import LabelledPair

N_DIMS, N_FOLDS = 48, 3
RIDGE = 1.0  # of the mean spread by edits; at 0.05 held-out copies were twice as far apart
REACH_SHARE = 0.985  # of the held-out edited copies that are within reach


def fit_space(pairs: Sequence[LabelledPair]) -> CandidateSpace:
    """Fit the space on the embeddings of edited copies.

    Parameters
    ----------
    pairs : sequence of LabelledPair, of which those with embeddings are used
    """
    both = [pair.embeddings for pair in pairs if pair.embeddings is not None]
    originals, edited = (np.stack([p[side] for p in both]).astype(np.float32) for side in (0, 1))
    recordings, owner = np.unique(originals, axis=0, return_inverse=True)
    mean, scale = recordings.mean(axis=0), recordings.std(axis=0) + 1e-3
    shift = standardize_embeddings(edited, mean, scale)
    shift = (shift - standardize_embeddings(originals, mean, scale)).astype(np.float64)
    rows = standardize_embeddings(recordings, mean, scale).astype(np.float64)
    distances = np.zeros(len(shift))
    for fold in range(N_FOLDS):
        is_held_out = owner.ravel() % N_FOLDS == fold
        axes = _fit_axes(rows, shift[~is_held_out])
        distances[is_held_out] = np.linalg.norm(shift[is_held_out] @ axes, axis=1)
    reach = float(np.quantile(distances, REACH_SHARE))
    return CandidateSpace(mean, scale, _fit_axes(rows, shift), reach)


def _fit_axes(rows: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """Return generalized eigenvectors: large spread of the recordings over spread by edits."""
    from scipy.linalg import eigh

    within = shift.T @ shift / len(shift)
    within += RIDGE * np.trace(within) / len(within) * np.eye(len(within))
    last = len(within) - 1
    _, vectors = eigh(np.cov(rows.T), within, subset_by_index=[last - N_DIMS + 1, last])
    return np.asarray(vectors[:, ::-1])

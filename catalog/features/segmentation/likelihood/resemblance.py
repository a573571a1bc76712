"""Compare uncertain rises with the strokes of the same take that are certain.

Strokes of a take resemble each other, in their spectra and in the bands that they raise; noise of
handling and voices rarely resemble them.
"""

from __future__ import annotations

import numpy as np

from catalog.features.segmentation.likelihood.surroundings import own_rises, own_spectra

CERTAIN = 0.9  # likelihood of a stroke that others are compared with
UNCERTAIN = (0.004, 0.996)  # likelihoods between which a rise is compared
MOST_CERTAIN = 500  # strokes compared with, evenly spaced
SAME_S = 0.060  # rises closer than this belong to one stroke and are not compared
FAR_DB = 20.0  # distance of spectra where there is nothing to compare with
HIGHEST_LOGIT = 8.0
# A ring that beats rises so far, in less than half of the bands, and resembles its stroke.
FAINT_RISE_DB, FAINT_FLUX_DB, FAINT_STEP_DB = 9.0, 1.2, 1.5
CLEAR_RISE_DB, CLEAR_FLUX_DB = 20.0, 4.0  # a single stroke of another drum resembles none
N_NUMBERS = 3


def describe_resemblance(
    inputs: np.ndarray, at_s: np.ndarray, likelihoods: np.ndarray
) -> np.ndarray:
    """Return the numbers that the second decision is made from.

    Parameters
    ----------
    inputs : np.ndarray, shape (n, n_inputs), see `describe_rises`
    at_s : np.ndarray, shape (n,), times of the rises
    likelihoods : np.ndarray, shape (n,), of the first decision

    Returns
    -------
    np.ndarray, shape (n, N_NUMBERS)
        logit of the likelihood; distance of the spectrum from that of the nearest certain stroke,
        in units of 10 dB; highest cosine between the rises of the bands
    """
    certain = np.flatnonzero(likelihoods > CERTAIN)
    step = max(1, -(-len(certain) // MOST_CERTAIN))
    some = certain[::step]
    p = np.clip(likelihoods.astype(np.float64), 1e-9, 1 - 1e-9)
    logits = np.clip(np.log(p / (1 - p)), -HIGHEST_LOGIT, HIGHEST_LOGIT)
    shapes, raised = own_spectra(inputs)
    is_same = np.abs(at_s[:, None] - at_s[some]) < SAME_S
    distances = np.where(is_same, FAR_DB, _distances_db(shapes, shapes[some]))
    cosines = np.where(is_same, 0.0, _cosines(raised, raised[some]))
    nearest = distances.min(axis=1, initial=FAR_DB) / 10.0
    return np.stack([logits, nearest, cosines.max(axis=1, initial=0.0)], axis=1)


def is_uncertain(likelihoods: np.ndarray) -> np.ndarray:
    """Return whether each rise is decided a second time."""
    return np.asarray((likelihoods > UNCERTAIN[0]) & (likelihoods < UNCERTAIN[1]))


def limit_second(inputs: np.ndarray, first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return the second likelihoods, not raised where a rise is faint, nor lowered where clear."""
    rise_db, flux_db, step_db = own_rises(inputs).T
    is_faint = (rise_db < FAINT_RISE_DB) & (flux_db < FAINT_FLUX_DB) & (step_db < FAINT_STEP_DB)
    is_clear = (rise_db >= CLEAR_RISE_DB) & (flux_db >= CLEAR_FLUX_DB)
    lowered = np.where(is_faint, np.minimum(first, second), second)
    return np.where(is_clear, np.maximum(first, second), lowered)


def _distances_db(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Return root mean squares of the differences of spectra of equal mean."""
    a, b = (x - x.mean(axis=1, keepdims=True) for x in (a, b))
    squares = np.square(a).sum(axis=1)[:, None] + np.square(b).sum(axis=1) - 2.0 * a @ b.T
    return np.asarray(np.sqrt(np.maximum(squares, 0.0) / a.shape[1]))


def _cosines(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    a, b = (x / (np.linalg.norm(x, axis=1, keepdims=True) + 1e-6) for x in (a, b))
    return np.asarray(a @ b.T)

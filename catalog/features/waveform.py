"""Basic measurements of sample arrays: peak, offset, mono mix and outline for drawing."""

from __future__ import annotations

import numpy as np

from catalog.errors import ParameterError

OFFSET_STRIDE = 8  # samples; every eighth gives the same median as all of them
OFFSET_SAMPLES = 2048  # upper limit for one median
SEARCH_BLOCK = 2048  # samples searched first; the onset is usually among them
MONO_MIN_SHARE = 0.3  # of the file's peak; a lower mean shows that the channels cancel


def mix_to_mono(samples: np.ndarray) -> np.ndarray:
    """Average the channels, or take the strongest one where the average would cancel.

    `samples` have shape (n_frames, n_channels); the result is float32, shape (n_frames,).
    """
    n_channels = samples.shape[1]
    if n_channels == 1:
        return np.ascontiguousarray(samples[:, 0], dtype=np.float32)
    samples = np.asarray(samples, dtype=np.float32)
    mean = samples @ np.full(n_channels, 1.0 / n_channels, np.float32)
    if abs_peak(mean) >= MONO_MIN_SHARE * abs_peak(samples):
        return np.asarray(mean)
    strongest = int(np.argmax(np.einsum("ij,ij->j", samples, samples)))
    return np.ascontiguousarray(samples[:, strongest])


def abs_peak(samples: np.ndarray, offset: float = 0.0) -> float:
    """Return the largest absolute sample; NaN if any sample is NaN, 0 for an empty array.

    `offset` is subtracted from each sample first.
    """
    if samples.size == 0:
        return 0.0
    return max(float(samples.max() - offset), -float(samples.min() - offset))


def abs_peak_index(samples: np.ndarray) -> int:
    """Return the index of the first sample at `abs_peak`; `samples` must not be empty."""
    low, high = int(samples.argmin()), int(samples.argmax())
    below, above = -float(samples[low]), float(samples[high])
    return min(low, high) if below == above else low if below > above else high


def first_above(samples: np.ndarray, threshold: float, offset: float = 0.0) -> int:
    """Return the index of the first absolute sample above `threshold`; `len(samples)` if none.

    `offset` is subtracted from each sample first.
    """
    start, n = 0, SEARCH_BLOCK
    while start < len(samples):
        is_above = np.abs(samples[start : start + n] - offset) > threshold
        found = int(is_above.argmax())
        if is_above[found]:
            return start + found
        start, n = start + n, 2 * n
    return len(samples)


def dc_offset(samples: np.ndarray) -> float:
    """Return the DC offset: the median of up to 2048 samples; 0 for an empty array."""
    subset = samples[:: max(OFFSET_STRIDE, len(samples) // OFFSET_SAMPLES)]
    return median(subset) if len(subset) else 0.0


def median(samples: np.ndarray) -> float:
    """Return the median of at least one sample; several times as fast as `numpy.median`."""
    below, above = (len(samples) - 1) // 2, len(samples) // 2
    ordered = np.partition(samples, above)
    low = ordered[above] if below == above else ordered[:above].max()
    return 0.5 * (float(low) + float(ordered[above]))


def waveform_outline(samples: np.ndarray, *, n_points: int) -> np.ndarray:
    """Return the lowest and highest sample of equal stretches of a file, for drawing.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)
    n_points : int, above 0

    Returns
    -------
    np.ndarray, float32, shape (n_points or fewer, 2)

    Raises
    ------
    ParameterError
        if `n_points` is below 1
    """
    if n_points < 1:
        raise ParameterError(f"n_points={n_points} must be at least 1")
    edges = np.unique(np.linspace(0, len(samples), n_points + 1).astype(int)[:-1])
    low = np.minimum.reduceat(samples.min(axis=1), edges)
    high = np.maximum.reduceat(samples.max(axis=1), edges)
    return np.stack([low, high], axis=1).astype(np.float32)

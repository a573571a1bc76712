"""Change the sample rate or the pitch of samples."""

from __future__ import annotations

import numpy as np

from catalog.errors import ParameterError


def resample(samples: np.ndarray, *, sr: int, to_sr: int, quality: str = "VHQ") -> np.ndarray:
    """Change the sample rate by soxr.

    Parameters
    ----------
    samples : np.ndarray, float32, shape (n,) or (n, n_channels)
    sr, to_sr : int, Hz, above 0
    quality : str, as soxr names it; "VHQ" for what is heard, "HQ" (20 bits) for what is measured

    Returns
    -------
    np.ndarray, float32, same number of dimensions

    Raises
    ------
    ParameterError
        if a rate is not above 0
    """
    if sr <= 0 or to_sr <= 0:
        raise ParameterError(f"sr={sr} and to_sr={to_sr} must be above 0 Hz")
    if sr == to_sr:
        return samples
    import soxr

    return np.asarray(soxr.resample(samples, sr, to_sr, quality=quality), dtype=np.float32)


def retune(samples: np.ndarray, *, sr: int, to_sr: int, semitones: float) -> np.ndarray:
    """Play a stroke faster or slower, as a tape would, and bring it to another rate in one step.

    A stroke that is tuned up gets shorter by the same ratio.

    Parameters
    ----------
    samples : np.ndarray, float32, shape (n,) or (n, n_channels)
    sr, to_sr : int, Hz, above 0
    semitones : float, above 0 for higher

    Returns
    -------
    np.ndarray, float32, same number of dimensions; the very samples if nothing is asked

    Raises
    ------
    ParameterError
        if a rate is not above 0 or the semitones are not within an octave
    """
    if semitones == 0.0:
        return resample(samples, sr=sr, to_sr=to_sr)
    if sr <= 0 or to_sr <= 0 or not abs(semitones) <= 12.0:
        raise ParameterError(
            f"sr={sr} and to_sr={to_sr} must be above 0 Hz, semitones={semitones} within -12 to 12"
        )
    import soxr

    played = sr * 2.0 ** (semitones / 12.0)
    return np.asarray(soxr.resample(samples, played, to_sr, quality="VHQ"), dtype=np.float32)

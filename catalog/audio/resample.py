"""Change the sample rate or the pitch of audio with soxr."""

from __future__ import annotations

import numpy as np

from catalog.errors import ParameterError

MAX_SEMITONES = 12.0


def resample(samples: np.ndarray, *, sr: int, to_sr: int, quality: str = "VHQ") -> np.ndarray:
    """Change the sample rate; return `samples` itself if the rates are equal.

    Parameters
    ----------
    samples : np.ndarray, float32, shape (n,) or (n, n_channels)
    sr, to_sr : int, Hz, above 0
    quality : str, as soxr names it; "VHQ" for listening, "HQ" (20 bits) for measuring

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
    """Change pitch and length together, like tape speed, and the sample rate in the same step.

    Parameters
    ----------
    samples : np.ndarray, float32, shape (n,) or (n, n_channels)
    sr, to_sr : int, Hz, above 0
    semitones : float, -12 to 12; above 0 is higher and shorter

    Raises
    ------
    ParameterError
        if a rate is not above 0 or `semitones` is outside -12 to 12
    """
    if semitones == 0.0:
        return resample(samples, sr=sr, to_sr=to_sr)
    if sr <= 0 or to_sr <= 0 or not abs(semitones) <= MAX_SEMITONES:
        raise ParameterError(
            f"sr={sr} and to_sr={to_sr} must be above 0 Hz, semitones={semitones} within -12 to 12"
        )
    import soxr

    from_sr = sr * 2.0 ** (semitones / 12.0)
    return np.asarray(soxr.resample(samples, from_sr, to_sr, quality="VHQ"), dtype=np.float32)

"""Two recordings laid over each other: shifted, scaled, turned; and what is left of the first.

A copy leaves next to nothing; another stroke leaves most of itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.features.onset import find_stroke
from catalog.features.spectrogram import SR
from catalog.features.waveform import mix_to_mono
from catalog.matching.coherence import measure_coherence
from catalog.matching.prepare import MARGIN, prepare_hit

OVERLAY_S = 4.0  # from the onset; longer tails are not looked at
SILENT_DB = -120.0  # less than this is called so: float samples hold no more


@dataclass(frozen=True, eq=False)
class Overlay:
    """Two recordings on one time line, mono, at `sr`, on the scale of the first.

    Attributes
    ----------
    sr : int, Hz
    first, second, rest : np.ndarray, float32, shape (n,)
        `second` as it was shifted, scaled and turned to lie on `first`; `rest` is the first minus
        the second
    later_s : float
        how much later the stroke begins in the second file than in the first
    gain_db : float
        by how much the second was raised to lie on the first; -inf if they have nothing in common
    is_turned : bool
        whether its polarity had to be turned
    left_db : float
        energy of `rest` over that of `first`: 0 if nothing was taken away
    """

    sr: int
    first: np.ndarray
    second: np.ndarray
    rest: np.ndarray
    later_s: float
    gain_db: float
    is_turned: bool
    left_db: float


def lay_over(first: Audio, second: Audio) -> Overlay:
    """Lay the second recording over the first and subtract it.

    The shift is the one that `catalog.matching.coherence` judges copies by; the gain, with its
    sign, is the one of least squares over what both hold.

    Parameters
    ----------
    first, second : Audio

    Returns
    -------
    Overlay

    Raises
    ------
    ParameterError
        if one of them holds no stroke
    """
    lag = measure_coherence([(prepare_hit(first), prepare_hit(second))])[0].lag_s * SR
    (a, onset_a, real_a), (b, onset_b, real_b) = _from_onset(first), _from_onset(second)
    b = _shift(b, lag, len(a))
    both = slice(max(real_a, min(len(a), round(real_b - lag))), len(a))
    energy = float(b[both] @ b[both])
    gain = float(a[both] @ b[both]) / energy if energy > 0.0 else 0.0
    whole, rest = float(a[both] @ a[both]), a[both] - gain * b[both]
    left = float(rest @ rest) / whole if whole > 0.0 else 1.0
    return Overlay(
        SR,
        a[both].astype(np.float32),
        (gain * b[both]).astype(np.float32),
        rest.astype(np.float32),
        onset_b - onset_a + lag / SR,
        20.0 * math.log10(abs(gain)) if gain else -math.inf,
        gain < 0.0,
        max(SILENT_DB, 10.0 * math.log10(left)) if left > 0.0 else SILENT_DB,
    )


def _from_onset(audio: Audio) -> tuple[np.ndarray, float, int]:
    """Mono samples with the onset at `MARGIN`, the onset in s, and the first that is no padding."""
    mono = mix_to_mono(audio.samples)
    onset = find_stroke(mono, sr=audio.sr).onset
    margin = round(MARGIN * audio.sr / SR)
    missing = max(0, margin - onset)
    part = mono[max(0, onset - margin) :][: round(OVERLAY_S * audio.sr)]
    part = np.concatenate([np.zeros(missing, np.float32), part])
    if audio.sr != SR:
        part = resample(part, sr=audio.sr, to_sr=SR).reshape(-1)
    return part.astype(np.float64), onset / audio.sr, round(missing * SR / audio.sr)


def _shift(samples: np.ndarray, lag: float, n: int) -> np.ndarray:
    """Move samples `lag` earlier, also by parts of one, and make them `n` long."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(max(n, len(samples)) + 2 * abs(math.ceil(abs(lag))) + 64, real=True)
    turn = np.exp(2j * np.pi * np.arange(size // 2 + 1) * lag / size)
    moved = irfft(rfft(samples, size) * turn, size)
    return np.asarray(moved[:n])

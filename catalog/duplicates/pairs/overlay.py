"""The overlay of two recordings: the second aligned to the first and subtracted from it.

Copies cancel almost entirely; another stroke of the same drum hardly does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.features.embedding.spectrogram import SR
from catalog.features.onset import find_stroke
from catalog.features.waveform import mix_to_mono
from catalog.matching.comparison.coherence import measure_coherence
from catalog.matching.prepare import MARGIN, prepare_hit

OVERLAY_S = 4.0  # from the onset; the rest of longer tails is ignored
SILENT_DB = -120.0  # lowest value reported; float32 samples resolve no more


@dataclass(frozen=True, eq=False)
class Overlay:
    """Two aligned recordings, mono, at `sr`, at the level of the first."""

    sr: int  # Hz
    first: np.ndarray  # float32, shape (n,)
    second: np.ndarray  # the same, with offset, gain and polarity matched to `first`
    residual: np.ndarray  # their difference
    offset_s: float  # how much later the stroke starts in the second recording than in the first
    gain_db: float  # applied to the second to match the first; -inf if they have nothing in common
    is_inverted: bool  # whether the polarity of the second was inverted to match the first
    residual_db: float  # energy of `residual` relative to `first`; 0 if nothing cancels


def overlay_recordings(first: Audio, second: Audio) -> Overlay:
    """Align the second recording to the first and subtract it.

    The offset is that of `catalog.matching.comparison.coherence`; the gain and its sign minimize
    the squared difference where both recordings have samples.

    Raise `ParameterError` if one of them holds no stroke.
    """
    lag = measure_coherence([(prepare_hit(first), prepare_hit(second))])[0].lag_s * SR
    (a, onset_a, start_a), (b, onset_b, start_b) = _from_onset(first), _from_onset(second)
    start = max(start_a, min(len(a), round(start_b - lag)))
    a, b = a[start:], _shift(b, lag, len(a))[start:]
    energy_a, energy_b = float(a @ a), float(b @ b)
    gain = float(a @ b) / energy_b if energy_b > 0.0 else 0.0
    b = gain * b
    residual = a - b
    left = float(residual @ residual) / energy_a if energy_a > 0.0 else 1.0
    return Overlay(
        sr=SR,
        first=a.astype(np.float32),
        second=b.astype(np.float32),
        residual=residual.astype(np.float32),
        offset_s=onset_b - onset_a + lag / SR,
        gain_db=20.0 * math.log10(abs(gain)) if gain else -math.inf,
        is_inverted=gain < 0.0,
        residual_db=max(SILENT_DB, 10.0 * math.log10(left)) if left > 0.0 else SILENT_DB,
    )


def _from_onset(audio: Audio) -> tuple[np.ndarray, float, int]:
    """Return mono samples with the onset at `MARGIN`, the onset in s, and the padding's length."""
    mono = mix_to_mono(audio.samples)
    onset = find_stroke(mono, sr=audio.sr).onset
    margin = round(MARGIN * audio.sr / SR)
    padding = max(0, margin - onset)
    part = mono[max(0, onset - margin) :][: round(OVERLAY_S * audio.sr)]
    part = np.concatenate([np.zeros(padding, np.float32), part])
    if audio.sr != SR:
        part = resample(part, sr=audio.sr, to_sr=SR).reshape(-1)
    return part.astype(np.float64), onset / audio.sr, round(padding * SR / audio.sr)


def _shift(samples: np.ndarray, lag: float, n: int) -> np.ndarray:
    """Shift samples earlier by a fractional `lag` and cut or pad them to length `n`."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(max(n, len(samples)) + 2 * abs(math.ceil(abs(lag))) + 64, real=True)
    phase = np.exp(2j * np.pi * np.arange(size // 2 + 1) * lag / size)
    shifted = irfft(rfft(samples, size) * phase, size)
    return np.asarray(shifted[:n])

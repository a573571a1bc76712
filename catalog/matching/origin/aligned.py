"""Two copies at one sample rate, one channel each, aligned to a sample."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.features.waveform import abs_peak, first_above, mix_to_mono

ALIGN_S = 0.4  # of the stroke, used to find the lag
START_SHARE = 0.003  # of the peak, -50 dB; what is quieter before the stroke is not used
EXACT_BITS = 24  # a float32 holds integers of 24 bits
MIN_OVERLAP = 16  # samples


@dataclass(frozen=True, eq=False)
class AlignedPair:
    """Two copies on one time axis: sample `n` of the first is sample `n + lag` of the second.

    Attributes
    ----------
    a, b : np.ndarray, float64, shape (n_a,) and (n_b,), one channel, full scale 1.0
    sr : int, Hz, the lower rate of both
    lag : int, samples
    bits_a, bits_b : int
        precision that the samples use, whatever the format of the file; 0 if they are on no grid
    """

    a: np.ndarray
    b: np.ndarray
    sr: int
    lag: int
    bits_a: int
    bits_b: int

    @property
    def overlap(self) -> tuple[np.ndarray, np.ndarray]:
        """The samples that both copies contain."""
        start_a, start_b = max(0, -self.lag), max(0, self.lag)
        n = min(len(self.a) - start_a, len(self.b) - start_b)
        return self.a[start_a : start_a + n], self.b[start_b : start_b + n]


def align_copies(first: Audio, second: Audio) -> AlignedPair | None:
    """Align the channels of two copies that agree best; None if nothing overlaps."""
    sr = min(first.sr, second.sr)
    best: tuple[float, AlignedPair] | None = None
    views_a, views_b = _views(first, second), _views(second, first)
    for view_a in views_a:
        for view_b in views_b:
            a = _at_rate(view_a, first.sr, sr)
            b = _at_rate(view_b, second.sr, sr)
            lag, height = _find_lag(a, b, sr)
            if best is None or height > best[0]:
                bits = used_bits(view_a), used_bits(view_b)
                best = height, AlignedPair(a, b, sr, lag, *bits)
    if best is None or len(best[1].overlap[0]) < MIN_OVERLAP:
        return None
    return best[1]


def _views(audio: Audio, other: Audio) -> list[np.ndarray]:
    """Return the first channel, or the mix and two channels if the other copy has fewer."""
    if audio.samples.shape[1] <= other.samples.shape[1]:
        return [audio.samples[:, 0]]
    return [mix_to_mono(audio.samples), *audio.samples.T[:2]]


def _at_rate(mono: np.ndarray, sr: int, to_sr: int) -> np.ndarray:
    return resample(np.ascontiguousarray(mono), sr=sr, to_sr=to_sr).astype(np.float64)


def used_bits(mono: np.ndarray) -> int:
    """Return the fewest bits that hold all samples exactly; 0 if 24 bits do not.

    `mono` has shape (n,), full scale 1.0.
    """
    scaled = mono.astype(np.float64) * 2.0 ** (EXACT_BITS - 1)
    whole = scaled.astype(np.int64)
    if not np.array_equal(whole, scaled):
        return 0
    used = int(np.bitwise_or.reduce(whole)) if len(whole) else 0
    n_zero = (used & -used).bit_length() - 1 if used else EXACT_BITS
    return max(1, EXACT_BITS - n_zero)


def _find_lag(a: np.ndarray, b: np.ndarray, sr: int) -> tuple[int, float]:
    """Return the lag of the highest correlation of the differences, and its height."""
    from scipy.fft import irfft, next_fast_len, rfft

    n = round(ALIGN_S * sr)
    starts = [max(0, first_above(y, START_SHARE * abs_peak(y)) - 1) for y in (a, b)]
    x, y = (np.diff(s[start : start + n]) for s, start in zip((a, b), starts, strict=True))
    n_fft = next_fast_len(max(2, len(x) + len(y)), real=True)
    correlation = np.abs(irfft(np.conj(rfft(x, n_fft)) * rfft(y, n_fft), n_fft))
    peak = int(correlation.argmax())
    height = float(correlation[peak]) / max(1e-30, math.sqrt(float(x @ x) * float(y @ y)))
    lag = peak if peak < len(y) else peak - n_fft
    return lag + starts[1] - starts[0], height

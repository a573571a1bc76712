"""The lowest strong mode of a drum: its frequency, and how clearly it stands out of the sound."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from catalog.features.envelope import block_energy
from catalog.features.spectrum import decimate, sliding_frames, squared_magnitude, zero_pad

RANGE_HZ = (40.0, 500.0)  # fundamentals of kicks, toms, snares and hand drums
CLEAR_SHARE = 0.04  # of the energy; noise below 500 Hz reaches 0.03, white noise 0.001
BRIGHTEST_HZ = 2_000.0  # centroid of a stroke with a pitch: toms and snares 1,300, hats from 2,200
ANALYSIS_SR = 1_800.0  # Hz, at least; `decimate` is flat up to 0.29 of it
FRAME_S, HOP_S = 0.186, 0.046  # the frame resolves the two lowest modes of a membrane at 40 Hz
N_FFT = 512  # samples at the low rate; reassignment gives the precision, not the number of bins
SKIP_S = 0.03  # after the start of the stroke: the stick's noise and the largest pitch bend
LENGTH_S = 0.72  # analyzed
MIN_S = 0.05  # shorter decays give no frequency
BIN = 0.1  # semitones of a histogram bin
SMOOTHING = np.hanning(9)[1:-1]  # over the histogram; 0.4 semitones wide at half height
MODE_SHARE = 0.1  # of the strongest mode's energy, from which a lower mode is the fundamental
NEAR = 0.5  # semitones around a mode that its frequency and energy are taken from


class LowestMode(NamedTuple):
    """The lowest strong mode of a stroke, and its share of the energy from 0.03 to 0.75 s.

    Both are NaN without a mode in the range.
    """

    hz: float
    share: float

    @property
    def clear_hz(self) -> float:
        """The frequency if the mode is strong enough to be a pitch, else NaN."""
        return self.hz if self.share >= CLEAR_SHARE else math.nan

    def pitch_hz(self, centroid_hz: float) -> float:
        """Return the frequency if the mode is a pitch, else NaN.

        A pitch is a strong mode of a stroke that is not too bright. A hat or cymbal has low modes
        as well, but they are not the fundamental of what sounds above them.

        Parameters
        ----------
        centroid_hz : float
            spectral centroid of the stroke, see `catalog.features.tone.brightness`
        """
        return self.clear_hz if centroid_hz <= BRIGHTEST_HZ else math.nan


NO_MODE = LowestMode(math.nan, math.nan)


def lowest_mode(samples: np.ndarray, *, sr: int) -> LowestMode:
    """Find the lowest mode that is at least a tenth as strong as the strongest one.

    The energy of a reassigned spectrogram [1]_ is summed by frequency, in semitones. The strongest
    mode of a membrane is often the second one, eight semitones above the first [2]_, and which of
    them it is changes from stroke to stroke and between microphones.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono, from the start of the stroke
    sr : int, Hz

    Returns
    -------
    LowestMode

    References
    ----------
    .. [1] F. Auger, P. Flandrin, "Improving the readability of time-frequency and time-scale
       representations by the reassignment method", IEEE Trans. Signal Process. 43, 1068-1089,
       1995.
    .. [2] N. H. Fletcher, T. D. Rossing, "The Physics of Musical Instruments", 2nd ed., Springer,
       1998, 18.1: modes of an ideal membrane at 1, 1.593, 2.135 and 2.295 times the first.
    """
    part = samples[round(SKIP_S * sr) :][: round(LENGTH_S * sr)]
    if len(part) < round(MIN_S * sr):
        return NO_MODE
    semitones, power, total = _reassigned_power(part, sr=sr)
    mode = _lowest_peak(semitones, power)
    if math.isnan(mode):
        return NO_MODE
    near = np.abs(semitones - mode) <= NEAR
    in_mode = float(power[near].sum())
    hz = 2.0 ** (float(semitones[near] @ power[near]) / in_mode / 12.0)
    return LowestMode(hz, min(1.0, in_mode / total))


def _reassigned_power(part: np.ndarray, *, sr: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Return the frequency and power of each bin within `RANGE_HZ`, and the power of all bins.

    Frequencies are in semitones above 1 Hz. Both arrays are flat: the bins of all frames.
    """
    from scipy.fft import rfft

    factor = max(1, int(sr / ANALYSIS_SR))
    rate = sr / factor
    n, hop = round(FRAME_S * rate), round(HOP_S * rate)
    low = decimate(part, factor)
    low = zero_pad(low, max(n, len(low)))
    windows = _windows(n)
    spectra = rfft(sliding_frames(low, n, hop=hop)[:, None, :] * windows, N_FFT)
    first, last = (round(hz * N_FFT / rate) for hz in RANGE_HZ)
    spectrum, derivative = spectra[:, 0, first : last + 1], spectra[:, 1, first : last + 1]
    power = squared_magnitude(np.ascontiguousarray(spectrum))
    shift = (derivative * spectrum.conj()).imag / np.maximum(power, np.float32(1e-30))
    bins = np.arange(first, last + 1) * (2.0 * np.pi / N_FFT)
    hz = (bins - shift) * (rate / (2.0 * np.pi))
    inside = (hz > RANGE_HZ[0]) & (hz < RANGE_HZ[1])
    energy = zero_pad(block_energy(part, factor), len(low))  # with what `decimate` filters out
    framed = float((sliding_frames(energy, n, hop=hop) @ np.square(windows[0])).sum())
    total = framed * N_FFT / (2.0 * factor)  # Parseval, one-sided spectrum at the low rate
    return 12.0 * np.log2(hz[inside]), power[inside].astype(np.float64), total


@lru_cache(maxsize=16)
def _windows(n: int) -> np.ndarray:
    """Return a Hann window and its derivative by the sample; float32, shape (2, n)."""
    phase = 2.0 * np.pi * np.arange(n) / n
    window, slope = 0.5 - 0.5 * np.cos(phase), np.pi / n * np.sin(phase)
    return np.stack([window, slope]).astype(np.float32)


def _lowest_peak(semitones: np.ndarray, power: np.ndarray) -> float:
    """Return the position of the lowest strong peak of the energy by frequency, or NaN."""
    low, high = (12.0 * math.log2(hz) for hz in RANGE_HZ)
    n = int((high - low) / BIN) + 1
    energy = np.bincount(((semitones - low) / BIN).astype(np.int64), power, minlength=n)
    smooth = np.convolve(energy, SMOOTHING, "same")
    inner, top = smooth[1:-1], float(smooth.max(initial=0.0))
    is_peak = (inner >= smooth[:-2]) & (inner > smooth[2:]) & (inner >= MODE_SHARE * top)
    if top <= 0.0 or not is_peak.any():
        return math.nan
    return low + (1.5 + int(np.argmax(is_peak))) * BIN

"""Pitch of toms, measured on the decoded strokes when a kit is tuned."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Mapping

import numpy as np

from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.errors import KitError
from catalog.features.waveform import mix_to_mono
from catalog.kit.model import Kit
from catalog.kit.slots import TOMS
from catalog.models import Hit

RANGE_HZ = (40.0, 400.0)  # of the fundamental of a tom
ANALYSIS_SR = 5_500  # Hz; a fundamental needs no more
FRAME, HOP = 1024, 64  # samples at `ANALYSIS_SR`: 186 ms resolve the modes of a membrane
ONSET_SHARE = 0.1  # of the peak, at which the stroke starts
SKIP_S = 0.03  # after the onset: the stick's noise and the largest pitch bend
LENGTH_S = 0.7  # analyzed
BIN = 0.1  # semitones of a histogram bin
SMOOTH_BINS = 7  # Hann window over the histogram, wide enough for the rest of a pitch bend
MODE_SHARE = 0.1  # of the strongest mode's energy, from which a lower mode is the fundamental
NEAR = 0.5  # semitones around a peak that its frequency is averaged over


def measure_pitches(
    kit: Kit, hits: Mapping[int, Hit], *, read: Callable[[Hit], Audio]
) -> dict[str, float]:
    """Measure the pitch of the kick and the toms of a kit as they were recorded.

    Returns
    -------
    dict of slot name to Hz
        the fundamental of each tom's main hit, and `body_hz` of the kick's, its strongest
        frequency, which the toms should keep clear of. A tom has `body_hz` as well where its
        recording cannot be read; slots whose hit has no `body_hz` are left out.
    """
    pitches = {}
    for slot in ("kick", *TOMS):
        ids = kit.slots.get(slot, ())
        body_hz = hits[ids[0]].descriptors.get("body_hz", math.nan) if ids else math.nan
        if not body_hz > 0:
            continue
        pitch_hz = _stroke_pitch(hits[ids[0]], read) if slot in TOMS else math.nan
        pitches[slot] = body_hz if math.isnan(pitch_hz) else pitch_hz
    return pitches


def _stroke_pitch(hit: Hit, read: Callable[[Hit], Audio]) -> float:
    try:
        audio = read(hit)
    except KitError:
        return math.nan
    return drum_pitch(mix_to_mono(audio.samples), sr=audio.sr)


def drum_pitch(samples: np.ndarray, *, sr: int) -> float:
    """Measure the fundamental of a drum: the lowest of its strong modes.

    The energy of a reassigned spectrogram [1]_ is summed by frequency. The strongest mode of a
    membrane is often the second one, about eight semitones higher [2]_, and which of them it is
    changes from stroke to stroke and between microphones.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono
    sr : int, Hz

    Returns
    -------
    float, Hz, within `RANGE_HZ`; NaN if nothing sounds there

    References
    ----------
    .. [1] F. Auger, P. Flandrin, "Improving the readability of time-frequency and time-scale
       representations by the reassignment method", IEEE Trans. Signal Process. 43, 1068-1089,
       1995; as `librosa.reassigned_spectrogram`.
    .. [2] T. D. Rossing, "Science of Percussion Instruments", World Scientific, 2000: an ideal
       membrane has modes at 1, 1.59, 2.14 times its fundamental (zeros of Bessel functions).
    """
    semitones, energy = _reassigned_energy(_analysis_part(samples, sr=sr))
    low, high = (12.0 * math.log2(hz) for hz in RANGE_HZ)
    edges = np.arange(low, high, BIN)
    histogram, _ = np.histogram(semitones, bins=edges, weights=energy)
    smooth = np.convolve(histogram, np.hanning(SMOOTH_BINS), "same")
    if smooth.max() <= 0.0:
        return math.nan
    inner = smooth[1:-1]
    is_mode = (inner >= smooth[:-2]) & (inner > smooth[2:]) & (inner >= MODE_SHARE * smooth.max())
    if not is_mode.any():
        return math.nan
    lowest = edges[1 + int(np.argmax(is_mode))] + 0.5 * BIN
    near = np.abs(semitones - lowest) <= NEAR
    return float(2.0 ** (np.average(semitones[near], weights=energy[near]) / 12.0))


def _analysis_part(samples: np.ndarray, *, sr: int) -> np.ndarray:
    """Return the decay of a stroke at `ANALYSIS_SR`, at least one frame long."""
    level = np.abs(samples)
    onset = int(np.argmax(level >= ONSET_SHARE * level.max())) if len(level) else 0
    part = samples[onset + round(SKIP_S * sr) :][: round(LENGTH_S * sr)]
    low = resample(part[:, None], sr=sr, to_sr=ANALYSIS_SR)[:, 0]
    return np.pad(low, (0, max(0, FRAME - len(low))))


def _reassigned_energy(samples: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies in semitones above 1 Hz and energies of a reassigned spectrogram, in range."""
    import librosa

    with warnings.catch_warnings():  # numpy on a comparison within librosa that skips NaN only
        warnings.filterwarnings("ignore", "'where' used without 'out'", UserWarning)
        hz, _, magnitude = librosa.reassigned_spectrogram(
            samples, sr=ANALYSIS_SR, n_fft=FRAME, hop_length=HOP, center=False, reassign_times=False
        )
    low, high = RANGE_HZ
    inside = (hz > low) & (hz < high)  # also leaves out NaN, the frequency of silence
    return 12.0 * np.log2(hz[inside]), np.square(magnitude[inside])

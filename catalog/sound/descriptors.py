"""The numbers a person reads, each with a unit and a definition; NaN where one is not defined."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from catalog.errors import ParameterError
from catalog.sound.loudness import hit_loudness
from catalog.sound.scalars import energy_to_come
from catalog.sound.strokes import OFFSET_STRIDE, Stroke

LENGTH_DB = -60.0  # below the hit's own peak; below it is room
ENVELOPE_S = 0.002  # one period of 500 Hz; shorter windows follow the wave, not the level
SPECTRUM_FRAME = 4096  # samples at any rate: 93 ms and 11 Hz at 44.1 kHz
SPECTRUM_S = 1.5  # of the stroke, from the onset on
HEARING_HZ = 20_000.0  # what a higher sample rate holds above it makes nothing brighter
ROLLOFF_SHARE = 0.85  # librosa's own default, so that the numbers compare
BODY_RANGE_HZ = (30.0, 500.0)  # kicks and toms speak here
BODY_MIN_SHARE = 0.02  # of the energy: less of it below 500 Hz is bleed or hum, not a body
FLOOR_WINDOW_S = 0.020
LOUDNESS_S = 2.0  # the loudest 400 ms of a stroke lie at its start, those of a swell soon after
FIT_POINTS = 1000  # enough for a straight line
A4_HZ = 440.0  # ISO 16


@dataclass(frozen=True)
class Descriptor:
    """Name, unit and the words for more and for less of it."""

    name: str
    unit: str
    label: str
    more: str
    less: str


DESCRIPTORS: tuple[Descriptor, ...] = (
    Descriptor("length_s", "s", "length", "longer", "shorter"),
    Descriptor("attack_s", "s", "attack", "slower", "faster"),
    Descriptor("decay20_s", "s", "decay 20 dB", "rings longer", "tighter"),
    Descriptor("decay60_s", "s", "decay 60 dB", "rings longer", "tighter"),
    Descriptor("centroid_hz", "Hz", "brightness", "brighter", "darker"),
    Descriptor("rolloff_hz", "Hz", "upper edge", "brighter", "darker"),
    Descriptor("flatness", "", "noise share", "noisier", "more tonal"),
    Descriptor("body_hz", "Hz", "body", "higher", "lower"),
    Descriptor("crest_db", "dB", "crest", "spikier", "denser"),
    Descriptor("peak_db", "dBFS", "peak", "hotter", "quieter"),
    Descriptor("loudness_lkfs", "LKFS", "loudness", "louder", "softer"),
    Descriptor("floor_db", "dBFS", "noise floor", "noisier floor", "cleaner floor"),
    Descriptor("width", "", "stereo width", "wider", "narrower"),
    Descriptor("clip_run", "samples", "flat top", "more clipped", "less clipped"),
    Descriptor("tail_s", "s", "recorded tail", "longer tail", "shorter tail"),
)


def describe_hit(
    samples: np.ndarray, mono: np.ndarray, *, sr: int, stroke: Stroke
) -> dict[str, float]:
    """Measure every descriptor of one hit.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), full scale 1.0
    mono : np.ndarray, shape (n_frames,), see `catalog.sound.strokes.mix_to_mono`
    sr : int, Hz
    stroke : Stroke

    Returns
    -------
    dict of str to float
        one entry for each of `DESCRIPTORS`
    """
    region = samples[stroke.start : stroke.stop]
    region = region - np.median(region[::OFFSET_STRIDE], axis=0)
    body = mono[stroke.start : stroke.stop]
    body = region[:, 0] if region.shape[1] == 1 else body - np.median(body[::OFFSET_STRIDE])
    left = energy_to_come(np.square(body, dtype=np.float64))
    frequencies, power = mean_spectrum(body, sr=sr)
    heard = frequencies <= HEARING_HZ
    frequencies, power = frequencies[heard], power[heard]
    peak = float(np.abs(region).max())
    rms = float(np.sqrt(np.square(body[: round(0.2 * sr)]).mean()))
    return {
        "length_s": length(body, sr=sr),
        "attack_s": attack_time(body, sr=sr),
        "decay20_s": _time_to_fall(left, sr=sr, drop_db=20.0),
        "decay60_s": _extrapolated_fall(left, sr=sr),
        "centroid_hz": spectral_centroid(frequencies, power),
        "rolloff_hz": spectral_rolloff(frequencies, power),
        "flatness": spectral_flatness(power),
        "body_hz": body_frequency(body, sr=sr),
        "crest_db": _db(float(np.abs(body).max()) / rms) if rms > 0 else math.nan,
        "peak_db": _db(peak),
        "loudness_lkfs": hit_loudness(region[: round(LOUDNESS_S * sr), :2], sr=sr),
        "floor_db": noise_floor(mono, sr=sr),
        "width": stereo_width(region),
        "clip_run": clip_run(samples[stroke.start : stroke.stop]),
        "tail_s": (stroke.stop - stroke.onset) / sr,
    }


def _db(ratio: float) -> float:
    return 20.0 * math.log10(ratio) if ratio > 0 else -math.inf


def envelope(samples: np.ndarray, *, sr: int, window_s: float = ENVELOPE_S) -> np.ndarray:
    """Root mean square over a sliding window centred on each sample.

    Parameters
    ----------
    samples : np.ndarray, shape (n,)
    sr : int, Hz
    window_s : float, seconds

    Returns
    -------
    np.ndarray, float64, shape (n,)
    """
    n = max(1, round(window_s * sr))
    power = np.concatenate([[0.0], np.cumsum(np.square(samples, dtype=np.float64))])
    right = np.minimum(np.arange(len(samples)) + n - n // 2, len(samples))
    left = np.maximum(np.arange(len(samples)) - n // 2, 0)
    return np.asarray(np.sqrt(np.maximum(power[right] - power[left], 0.0) / n))


def length(samples: np.ndarray, *, sr: int) -> float:
    """Time from the start until the level stays 60 dB under the loudest 10 ms.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), from the start of the stroke on
    sr : int, Hz

    Returns
    -------
    float, seconds
    """
    n = max(1, round(0.01 * sr))
    blocks = np.pad(np.square(samples), (0, -len(samples) % n)).reshape(-1, n).mean(axis=1)
    loud = np.flatnonzero(blocks > blocks.max() * 10 ** (LENGTH_DB / 10))
    return min(float(loud[-1] + 1) * n, len(samples)) / sr if len(loud) else 0.0


def attack_time(samples: np.ndarray, *, sr: int) -> float:
    """Time in which the 2 ms level rises from 10 % to 90 % of its maximum.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), from the start of the stroke on
    sr : int, Hz

    Returns
    -------
    float, seconds

    References
    ----------
    G. Peeters, "A large set of audio features for sound description", CUIDADO project report,
    IRCAM, 2004 (log attack time; the thresholds 10 and 90 % are common practice).
    """
    level = envelope(samples[: round(0.5 * sr)], sr=sr)
    top = float(level.max())
    reached = int(np.argmax(level >= 0.9 * top))
    below = np.flatnonzero(level[: reached + 1] < 0.1 * top)
    return (reached - (int(below[-1]) if len(below) else 0)) / sr


def decay_time(samples: np.ndarray, *, sr: int, drop_db: float = 20.0) -> float:
    """Time a hit takes to fall by `drop_db` after its start.

    The level is the energy still to come, so a noisy tail cannot make the curve rise again [1]_.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono, full scale 1.0
    sr : int, Hz, above 0
    drop_db : float, dB, above 0

    Returns
    -------
    float, seconds; the length of the hit if it ends before falling that far

    Raises
    ------
    ParameterError
        if `sr` or `drop_db` is not above 0

    References
    ----------
    .. [1] M. R. Schroeder, "New method of measuring reverberation time", J. Acoust. Soc. Am. 37,
       409-412, 1965.
    """
    if sr <= 0 or drop_db <= 0:
        raise ParameterError(f"sr={sr} and drop_db={drop_db} must be above 0")
    left = energy_to_come(np.square(samples, dtype=np.float64))
    return _time_to_fall(left, sr=sr, drop_db=drop_db)


def _time_to_fall(left: np.ndarray, *, sr: int, drop_db: float) -> float:
    return (len(left) - int(np.searchsorted(left[::-1], 10.0 ** (-drop_db / 10.0), "right"))) / sr


def reverberation_time(samples: np.ndarray, *, sr: int) -> float:
    """Time to fall by 60 dB, extrapolated from the fall between -5 and -25 dB (T20).

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono, from the start of the stroke on
    sr : int, Hz

    Returns
    -------
    float, seconds; NaN if the fall has fewer than 8 samples

    References
    ----------
    ISO 3382-1:2009, 5.3.3 (evaluation range -5 to -25 dB, least squares).
    """
    return _extrapolated_fall(energy_to_come(np.square(samples, dtype=np.float64)), sr=sr)


def _extrapolated_fall(left: np.ndarray, *, sr: int) -> float:
    first, last = len(left) - np.searchsorted(left[::-1], [10**-0.5, 10**-2.5], "right")
    if last - first < 8:
        return math.nan
    steps = np.arange(first, last, max(1, (last - first) // FIT_POINTS))
    level_db = 10.0 * np.log10(left[steps])
    time_s = steps / sr
    time_s = time_s - time_s.mean()
    slope = float(time_s @ (level_db - level_db.mean()) / (time_s @ time_s))
    return -60.0 / slope if slope < 0 else math.nan


def mean_spectrum(samples: np.ndarray, *, sr: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean power spectrum of the first 1.5 s, in frames of 4096 samples that overlap by half.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono, from the start of the stroke on
    sr : int, Hz

    Returns
    -------
    frequencies, power : np.ndarray, shape (2049,), Hz and squared magnitude
    """
    from scipy.fft import rfft

    n, hop = SPECTRUM_FRAME, SPECTRUM_FRAME // 2
    part = samples[: round(SPECTRUM_S * sr)]
    padded = np.pad(part, (hop, n - len(part) % hop))
    frames = np.lib.stride_tricks.sliding_window_view(padded, n)[::hop]
    spectra = rfft(frames * _hann(n), axis=1)
    power = np.square(spectra.real) + np.square(spectra.imag)
    return np.arange(n // 2 + 1) * sr / n, np.asarray(power.mean(axis=0), dtype=np.float64)


@lru_cache(maxsize=8)
def _hann(n: int) -> np.ndarray:
    return np.hanning(n + 1)[:-1].astype(np.float32)


def spectral_centroid(frequencies: np.ndarray, power: np.ndarray) -> float:
    """Mean frequency weighted by power, Hz; NaN for silence."""
    total = float(power.sum())
    return float(frequencies @ power) / total if total > 0 else math.nan


def spectral_rolloff(frequencies: np.ndarray, power: np.ndarray) -> float:
    """Frequency below which 85 % of the power lies, Hz."""
    along = np.cumsum(power)
    return float(frequencies[int(np.argmax(along >= ROLLOFF_SHARE * along[-1]))])


def spectral_flatness(power: np.ndarray) -> float:
    """Geometric over arithmetic mean of the power: 1 for white noise, near 0 for a tone."""
    floored = np.maximum(power, 1e-10 * power.max() + 1e-30)
    return float(np.exp(np.mean(np.log(floored))) / floored.mean())


def body_frequency(samples: np.ndarray, *, sr: int) -> float:
    """Strongest frequency between 30 and 500 Hz from 10 ms on; the note a drum is tuned to.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono, from the start of the stroke on
    sr : int, Hz

    Returns
    -------
    float, Hz, interpolated between bins; NaN if less than 2 % of the energy lies there, or
        if the strongest is beyond either end
    """
    from scipy.fft import next_fast_len, rfft

    n = round(0.37 * sr)
    part = samples[round(0.010 * sr) :][:n]
    if len(part) < round(0.02 * sr):
        return math.nan
    n_fft = next_fast_len(4 * n, real=True)
    spectrum = rfft(part * _hann(len(part)), n_fft)
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    low, high = (round(hz * n_fft / sr) for hz in BODY_RANGE_HZ)
    if power[low:high].sum() < BODY_MIN_SHARE * power.sum():
        return math.nan
    at = low + int(np.argmax(power[low:high]))
    if at in (low, high - 1):
        return math.nan  # it only rises towards something outside
    a, b, c = np.log(power[at - 1 : at + 2] + 1e-30)
    bend = a - 2 * b + c
    return (at + (0.5 * (a - c) / bend if bend < 0 else 0.0)) * sr / n_fft


def noise_floor(mono: np.ndarray, *, sr: int) -> float:
    """Level of the quietest 20 ms that are not digital silence, dBFS; NaN if there is none."""
    n = max(1, round(FLOOR_WINDOW_S * sr))
    if len(mono) < n:
        return math.nan
    blocks = mono[: len(mono) // n * n].reshape(-1, n).astype(np.float64)
    power = blocks.var(axis=1)
    heard = power[power > 0]
    return 10.0 * math.log10(float(heard.min())) if len(heard) else math.nan


def clip_run(samples: np.ndarray) -> float:
    """Longest run of samples that stay at the highest level, as clipping leaves them.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)

    Returns
    -------
    float, samples; 1 to 3 for an ordinary peak
    """
    top = float(np.abs(samples).max()) * (1.0 - 1e-6)
    frames, channels = np.nonzero(np.abs(samples) >= top)
    longest = 0
    for channel in np.unique(channels):
        at = frames[channels == channel]
        runs = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)
        longest = max(longest, *map(len, runs))
    return float(longest)


def stereo_width(samples: np.ndarray) -> float:
    """Energy of the side signal over that of mid and side, from the first two channels.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)

    Returns
    -------
    float, 0 for mono, 0.5 for two unrelated channels, 1 for opposite ones
    """
    if samples.shape[1] < 2:
        return 0.0
    mid = float(np.square(samples[:, 0] + samples[:, 1]).sum())
    side = float(np.square(samples[:, 0] - samples[:, 1]).sum())
    return side / (mid + side) if mid + side > 0 else 0.0


def note_name(hz: float) -> str:
    """Nearest note, equal temperament, A4 = 440 Hz (ISO 16), and the rest in cents: "A2 +13 c"."""
    if not (math.isfinite(hz) and hz > 0):
        return ""
    semitones = 69.0 + 12.0 * math.log2(hz / A4_HZ)
    key = round(semitones)
    names = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
    return f"{names[key % 12]}{key // 12 - 1} {round(100 * (semitones - key)):+d} c"

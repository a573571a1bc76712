"""The numbers a person reads, each with a unit and a definition; NaN where one is not defined."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from catalog.features.envelope import ENVELOPE_S as ENVELOPE_S
from catalog.features.envelope import (
    attack_time,
    block_energy,
    block_variance,
    energy_decay,
    extrapolated_decay_time,
    length_above_floor,
    time_to_drop,
)
from catalog.features.envelope import decay_time as decay_time
from catalog.features.envelope import envelope as envelope
from catalog.features.envelope import reverberation_time as reverberation_time
from catalog.features.loudness import hit_loudness
from catalog.features.onset import StrokeSpan
from catalog.features.spectrum import decimate, frame_power, periodic_hann, sliding_frames, zero_pad
from catalog.features.waveform import abs_peak, dc_offset

SPECTRUM_FRAME = 4096  # samples at any rate: 93 ms and 11 Hz at 44.1 kHz
SPECTRUM_S = 1.5  # of the stroke, from the onset on
N_DENSE, SPARSE = 9, 4  # frames that overlap by half, 0.4 s; later only every fourth is taken
HEARING_HZ = 20_000.0  # what a higher sample rate holds above it makes nothing brighter
ROLLOFF_SHARE = 0.85  # librosa's own default, so that the numbers compare
BODY_RANGE_HZ = (30.0, 500.0)  # kicks and toms speak here
BODY_MIN_SHARE = 0.02  # of the energy: less of it below 500 Hz is bleed or hum, not a body
BODY_S = 0.37  # of the stroke
BODY_SR_HZ = 5_000.0  # at least; twenty times what a body's pitch needs at 250 Hz
BODY_FFT = 8192  # steps of 0.7 Hz at the low rate
FLOOR_WINDOW_S = 0.020
LOUDNESS_S = 2.0  # the loudest 400 ms of a stroke lie at its start, those of a swell soon after
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


def measure_descriptors(
    samples: np.ndarray, mono: np.ndarray, *, sr: int, stroke: StrokeSpan
) -> dict[str, float]:
    """Measure every descriptor of one hit.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), full scale 1.0
    mono : np.ndarray, shape (n_frames,), see `catalog.features.onset.mix_to_mono`
    sr : int, Hz
    stroke : Stroke

    Returns
    -------
    dict of str to float
        one entry for each of `DESCRIPTORS`
    """
    body = mono[stroke.start : stroke.stop]
    body = body - dc_offset(body)
    channels = body[None]
    if samples.shape[1] > 1:
        channels = np.ascontiguousarray(samples[stroke.start : stroke.stop].T)
        channels = channels - np.array([[dc_offset(c)] for c in channels], channels.dtype)
    peak = abs_peak(body)
    fall = energy_decay(body)
    frequencies, power = mean_spectrum(body, sr=sr)
    heard = np.searchsorted(frequencies, HEARING_HZ, "right")
    frequencies, power = frequencies[:heard], power[:heard]
    head = body[: round(0.2 * sr)]
    rms = math.sqrt(float(head @ head) / len(head))
    return {
        "length_s": length_above_floor(body, sr=sr),
        "attack_s": attack_time(body, sr=sr),
        "decay20_s": time_to_drop(fall, sr=sr, drop_db=20.0),
        "decay60_s": extrapolated_decay_time(fall, sr=sr),
        "centroid_hz": spectral_centroid(frequencies, power),
        "rolloff_hz": spectral_rolloff(frequencies, power),
        "flatness": spectral_flatness(power),
        "body_hz": body_frequency(body, sr=sr),
        "crest_db": _db(peak / rms) if rms > 0 else math.nan,
        "peak_db": _db(peak if len(channels) == 1 else abs_peak(channels)),
        "loudness_lkfs": hit_loudness(channels[:2, : round(LOUDNESS_S * sr)].T, sr=sr),
        "floor_db": noise_floor(mono, sr=sr),
        "width": stereo_width(channels.T),
        "clip_run": clip_run(samples[stroke.start : stroke.stop]),
        "tail_s": (stroke.stop - stroke.onset) / sr,
    }


def _db(ratio: float) -> float:
    return 20.0 * math.log10(ratio) if ratio > 0 else -math.inf


def mean_spectrum(samples: np.ndarray, *, sr: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean power spectrum of the first 1.5 s, in frames of 4096 samples.

    Frames overlap by half while the stroke lasts; later ones stand further apart and count for
    what lies between them.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono, from the start of the stroke on
    sr : int, Hz

    Returns
    -------
    frequencies, power : np.ndarray, shape (2049,), Hz and squared magnitude
    """
    n, hop = SPECTRUM_FRAME, SPECTRUM_FRAME // 2
    n_frames = min(len(samples), round(SPECTRUM_S * sr)) // hop + 1
    dense, sparse = np.arange(min(n_frames, N_DENSE)), np.arange(N_DENSE, n_frames, SPARSE)
    weight = np.ones(len(dense) + len(sparse), np.float32)
    weight[len(dense) :] = np.minimum(SPARSE, n_frames - sparse)
    padded = zero_pad(samples[: n_frames * hop], (n_frames + 1) * hop, lead=hop)
    frames = sliding_frames(padded, n, hop=hop)[np.concatenate([dense, sparse])]
    frames *= periodic_hann(n)
    power = weight @ frame_power(frames) / n_frames
    return np.arange(n // 2 + 1) * (sr / n), power.astype(np.float64)


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
    part = samples[round(0.010 * sr) :][: round(BODY_S * sr)]
    if len(part) < round(0.02 * sr):
        return math.nan
    factor = max(1, int(sr / BODY_SR_HZ))
    low = decimate(part, factor)
    window = periodic_hann(len(low))
    power = frame_power((low * window)[None], BODY_FFT)[0]
    step_hz = sr / factor / BODY_FFT
    first, last = (round(hz / step_hz) for hz in BODY_RANGE_HZ)
    body_energy = 2.0 * factor * float(power[first:last].sum()) / BODY_FFT  # Parseval
    energy = block_energy(part, factor) if factor > 1 else np.square(part)
    if body_energy < BODY_MIN_SHARE * float(energy @ np.square(window)):
        return math.nan
    at = first + int(np.argmax(power[first:last]))
    if at in (first, last - 1):
        return math.nan  # it only rises towards something outside
    a, b, c = np.log(power[at - 1 : at + 2] + 1e-30)
    bend = a - 2 * b + c
    return float(at + (0.5 * (a - c) / bend if bend < 0 else 0.0)) * step_hz


def noise_floor(mono: np.ndarray, *, sr: int) -> float:
    """Level of the quietest 20 ms that are not digital silence, dBFS; NaN if there is none."""
    n = max(1, round(FLOOR_WINDOW_S * sr))
    if len(mono) < n:
        return math.nan
    heard = block_variance(mono, n)
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
    channels = np.ascontiguousarray(samples.T)
    low, high = -channels.min(axis=1), channels.max(axis=1)
    top = max(low.max(), high.max()) * (1.0 - 1e-6)
    longest = 0
    for channel, below, above in zip(channels, low, high, strict=True):
        if max(below, above) < top:
            continue
        if min(below, above) >= top:
            at = np.flatnonzero(np.abs(channel) >= top)
        else:
            at = np.flatnonzero(channel >= top if above >= top else channel <= -top)
        ends = np.concatenate([[-1], np.flatnonzero(at[1:] - at[:-1] > 1), [len(at) - 1]])
        longest = max(longest, int((ends[1:] - ends[:-1]).max()))
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

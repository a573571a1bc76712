"""The numbers shown for a hit, each with a unit and a definition; NaN where it is undefined."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from catalog.features import envelope
from catalog.features.loudness import hit_loudness
from catalog.features.onset import StrokeSpan
from catalog.features.spectrum import frame_power, periodic_hann, sliding_frames, zero_pad
from catalog.features.tone.modes import lowest_mode
from catalog.features.waveform import abs_peak, dc_offset

SPECTRUM_FRAME = 4096  # samples at any rate; 93 ms and 11 Hz at 44.1 kHz
SPECTRUM_S = 1.5  # from the start of the stroke
N_DENSE, SPARSE = 9, 4  # half-overlapping frames (0.4 s); then only every fourth is used
MAX_AUDIBLE_HZ = 20_000.0  # content above it does not count as brightness
ROLLOFF_SHARE = 0.85  # librosa's default, so that the values are comparable
CREST_S = 0.2
FLOOR_WINDOW_S = 0.020
LOUDNESS_S = 2.0  # holds the loudest 400 ms of strokes, and of swells soon after
A4_HZ = 440.0  # ISO 16
NOTE_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


@dataclass(frozen=True)
class Descriptor:
    """Name, unit and label of a descriptor, and the words for more and for less of it."""

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
    Descriptor("mode_hz", "Hz", "lowest mode", "higher", "lower"),
    Descriptor("mode_share", "", "share of that mode", "clearer pitch", "less clear pitch"),
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
    """Measure every descriptor of one hit, by the names of `DESCRIPTORS`.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), full scale 1.0
    mono : np.ndarray, shape (n_frames,), see `catalog.features.waveform.mix_to_mono`
    sr : int, Hz
    stroke : StrokeSpan
    """
    body = mono[stroke.start : stroke.stop]
    body = body - dc_offset(body)
    channels = body[None]
    if samples.shape[1] > 1:
        channels = np.ascontiguousarray(samples[stroke.start : stroke.stop].T)
        channels = channels - np.array([[dc_offset(c)] for c in channels], channels.dtype)
    peak = abs_peak(body)
    decay = envelope.energy_decay(body)
    frequencies, power = mean_spectrum(body, sr=sr)
    n_audible = np.searchsorted(frequencies, MAX_AUDIBLE_HZ, "right")
    frequencies, power = frequencies[:n_audible], power[:n_audible]
    head = body[: round(CREST_S * sr)]
    rms = math.sqrt(float(head @ head) / len(head))
    mode = lowest_mode(body, sr=sr)
    return {
        "length_s": envelope.length_above_floor(body, sr=sr),
        "attack_s": envelope.attack_time(body, sr=sr),
        "decay20_s": envelope.decay_time(decay, sr=sr, drop_db=20.0),
        "decay60_s": envelope.reverberation_time(decay, sr=sr),
        "centroid_hz": spectral_centroid(frequencies, power),
        "rolloff_hz": spectral_rolloff(frequencies, power),
        "flatness": spectral_flatness(power),
        "body_hz": mode.clear_hz,
        "mode_hz": mode.hz,
        "mode_share": mode.share,
        "crest_db": _to_db(peak / rms) if rms > 0 else math.nan,
        "peak_db": _to_db(peak if len(channels) == 1 else abs_peak(channels)),
        "loudness_lkfs": hit_loudness(channels[:2, : round(LOUDNESS_S * sr)].T, sr=sr),
        "floor_db": noise_floor(mono, sr=sr),
        "width": stereo_width(channels.T),
        "clip_run": clip_run(samples[stroke.start : stroke.stop]),
        "tail_s": (stroke.stop - stroke.onset) / sr,
    }


def _to_db(ratio: float) -> float:
    return 20.0 * math.log10(ratio) if ratio > 0 else -math.inf


def mean_spectrum(samples: np.ndarray, *, sr: int) -> tuple[np.ndarray, np.ndarray]:
    """Compute the mean power spectrum of the first 1.5 s, in frames of 4096 samples.

    The first frames overlap by half. Later ones are sparse and are weighted for the frames
    between them. Returns frequencies in Hz and squared magnitudes, both of shape (2049,).
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
    """Return the power-weighted mean frequency, Hz; NaN for silence."""
    total = float(power.sum())
    return float(frequencies @ power) / total if total > 0 else math.nan


def spectral_rolloff(frequencies: np.ndarray, power: np.ndarray) -> float:
    """Return the frequency below which 85 % of the power lies, Hz."""
    cumulative = np.cumsum(power)
    return float(frequencies[int(np.argmax(cumulative >= ROLLOFF_SHARE * cumulative[-1]))])


def spectral_flatness(power: np.ndarray) -> float:
    """Return the geometric over the arithmetic mean: 1 for white noise, near 0 for a tone."""
    floored = np.maximum(power, 1e-10 * power.max() + 1e-30)
    return float(np.exp(np.mean(np.log(floored))) / floored.mean())


def noise_floor(mono: np.ndarray, *, sr: int) -> float:
    """Return the level of the quietest 20 ms that are not constant, dBFS; NaN if there are none."""
    n = max(1, round(FLOOR_WINDOW_S * sr))
    if len(mono) < n:
        return math.nan
    variances = envelope.block_variance(mono, n)
    return 10.0 * math.log10(float(variances.min())) if len(variances) else math.nan


def clip_run(samples: np.ndarray) -> float:
    """Return the longest run of samples at the peak level, a sign of clipping.

    It is 1 to 3 for an ordinary peak; `samples` have shape (n_frames, n_channels).
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
    """Return the side energy over that of mid and side, from the first two channels.

    It is 0 for mono, 0.5 for two unrelated channels, and 1 for opposite ones.
    """
    if samples.shape[1] < 2:
        return 0.0
    mid = float(np.square(samples[:, 0] + samples[:, 1]).sum())
    side = float(np.square(samples[:, 0] - samples[:, 1]).sum())
    return side / (mid + side) if mid + side > 0 else 0.0


def note_name(hz: float) -> str:
    """Name the nearest equal-tempered note, A4 = 440 Hz (ISO 16), and the cents: "A2 +13 c"."""
    if not (math.isfinite(hz) and hz > 0):
        return ""
    semitones = 69.0 + 12.0 * math.log2(hz / A4_HZ)
    key = round(semitones)
    return f"{NOTE_NAMES[key % 12]}{key // 12 - 1} {round(100 * (semitones - key)):+d} c"

"""Edits that turn a recording into a copy of itself: gain, formats, trims, filters, dynamics.

The classifier of pairs is fitted on these edits, and `tests/bench/copies.py` measures with them;
recordings used for the fit are not used for the measurement.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_audio
from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.features.onset import find_stroke
from catalog.features.waveform import mix_to_mono

Change = Callable[[Audio, np.random.Generator], Audio]
SHELF_HZ = 4_000.0
LIMITER_RELEASE_S = 0.05  # common practice, no published source
MP3_HZ, OPUS_HZ = (32_000, 44_100, 48_000), (8_000, 12_000, 16_000, 24_000, 48_000)


@dataclass(frozen=True)
class Edit:
    """One way to change a recording."""

    name: str
    kind: str  # "lossless" (changes level or rate only), "lossy", "low rate" or "speed"
    change: Change  # takes Audio and a random generator, returns Audio


def _as_float(samples: np.ndarray, sr: int) -> Audio:
    return Audio(np.asarray(samples, np.float32), int(sr), "WAV", "FLOAT")


def _peak(audio: Audio) -> float:
    return float(np.abs(audio.samples).max())


def _gain(audio: Audio, rng: np.random.Generator, db: float) -> Audio:
    return _as_float(audio.samples * 10 ** (db / 20), audio.sr)


def _offset(audio: Audio, rng: np.random.Generator) -> Audio:
    return _as_float(audio.samples + 0.01 * _peak(audio), audio.sr)


def _rate(audio: Audio, rng: np.random.Generator, sr: int) -> Audio:
    return _as_float(resample(audio.samples, sr=audio.sr, to_sr=sr), sr)


def _encode(
    audio: Audio,
    rng: np.random.Generator,
    container: str,
    subtype: str,
    compression: float | None = None,
) -> Audio:
    """Encode and decode, at a rate that the format supports; lossy formats get two channels."""
    rates = {"MPEG_LAYER_III": MP3_HZ, "OPUS": OPUS_HZ}.get(subtype, ())
    y, sr = audio.samples, audio.sr
    if rates and sr not in rates:
        y, sr = resample(y, sr=sr, to_sr=48_000), 48_000
    if subtype not in ("PCM_16", "PCM_24"):
        y = y[:, :2]
    peak = float(np.abs(y).max())
    y = y / peak * 0.9 if peak > 0.9 else y
    data = encode_audio(y, sr=sr, container=container, subtype=subtype, compression=compression)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"x.{container.lower()}"
        path.write_bytes(data)
        return decode_file(path)


def _bits(audio: Audio, rng: np.random.Generator, peak_steps: float, *, dither: bool) -> Audio:
    """Round to 16 bits with the peak at `peak_steps`, with triangular dither or without."""
    y = audio.samples / max(_peak(audio), 1e-9) * peak_steps
    if dither:
        y = y + rng.uniform(-0.5, 0.5, y.shape) + rng.uniform(-0.5, 0.5, y.shape)
    return Audio((np.rint(y) / 32_768).astype(np.float32), audio.sr, "WAV", "PCM_16")


def _silence(audio: Audio, rng: np.random.Generator) -> Audio:
    pad = np.zeros((round(0.1 * audio.sr), audio.samples.shape[1]), np.float32)
    return _as_float(np.concatenate([pad, audio.samples]), audio.sr)


def _trim(audio: Audio, rng: np.random.Generator, ms: float) -> Audio:
    onset = find_stroke(mix_to_mono(audio.samples), sr=audio.sr).onset
    return _as_float(audio.samples[onset + round(ms * audio.sr / 1000) :], audio.sr)


def _cut(audio: Audio, rng: np.random.Generator, share: float) -> Audio:
    """Keep this share of the stroke after its onset."""
    stroke = find_stroke(mix_to_mono(audio.samples), sr=audio.sr)
    stop = stroke.onset + max(16, round(share * (stroke.stop - stroke.onset)))
    return _as_float(audio.samples[:stop], audio.sr)


def _fade(audio: Audio, rng: np.random.Generator) -> Audio:
    n = len(audio.samples)
    return _as_float(audio.samples * np.linspace(1, 0, n)[:, None], audio.sr)


def _mono(audio: Audio, rng: np.random.Generator) -> Audio:
    return _as_float(audio.samples.mean(axis=1, keepdims=True), audio.sr)


def _side(audio: Audio, rng: np.random.Generator) -> Audio:
    return _as_float(audio.samples[:, [int(rng.integers(audio.samples.shape[1]))]], audio.sr)


def _spectrum(
    audio: Audio, rng: np.random.Generator, curve_db: Callable[[np.ndarray], np.ndarray]
) -> Audio:
    """Filter with zero phase; the curve is in dB over octaves from 1 kHz."""
    from scipy.fft import next_fast_len

    n = len(audio.samples)
    size = next_fast_len(n + audio.sr // 20)  # padding against circular wrap-around
    hz = np.fft.rfftfreq(size, 1 / audio.sr)
    gain = 10 ** (curve_db(np.log2(np.maximum(hz, 20.0) / 1000.0)) / 20)
    y = np.fft.irfft(np.fft.rfft(audio.samples, size, axis=0) * gain[:, None], size, axis=0)
    return _as_float(y[:n], audio.sr)


def _shelf(audio: Audio, rng: np.random.Generator, db: float) -> Audio:
    """Apply a first-order shelf with half its gain at `SHELF_HZ`, minimum phase."""
    from scipy.signal import bilinear, lfilter

    root, angular_hz = 10 ** (db / 40), 2 * np.pi * min(SHELF_HZ, 0.4 * audio.sr)
    b, a = bilinear([root, angular_hz], [1 / root, angular_hz], fs=audio.sr)
    return _as_float(lfilter(b, a, audio.samples, axis=0), audio.sr)


def _highpass(audio: Audio, rng: np.random.Generator) -> Audio:
    from scipy.signal import butter, sosfilt

    sos = butter(2, 40.0, "highpass", fs=audio.sr, output="sos")
    return _as_float(sosfilt(sos, audio.samples, axis=0), audio.sr)


def _drive(audio: Audio, rng: np.random.Generator, amount: float) -> Audio:
    return _as_float(np.tanh(amount * audio.samples / max(_peak(audio), 1e-9)), audio.sr)


def _limit(audio: Audio, rng: np.random.Generator, db: float) -> Audio:
    """Limit peaks with a look-ahead of 1 ms and a slow release."""
    from scipy.ndimage import maximum_filter1d, uniform_filter1d

    lookahead = max(1, audio.sr // 1000)
    level = maximum_filter1d(np.abs(audio.samples).max(axis=1), 2 * lookahead + 1)
    ceiling = _peak(audio) * 10 ** (-db / 20)
    excess = np.maximum(np.log(np.maximum(level, 1e-12) / ceiling), 0.0)
    released = _follow(excess, np.exp(-1.0 / (LIMITER_RELEASE_S * audio.sr)))
    gain = np.exp(-uniform_filter1d(released, lookahead))
    return _as_float(audio.samples * gain[:, None], audio.sr)


def _follow(values: np.ndarray, release: float) -> np.ndarray:
    """Follow rises at once, and fall by the factor `release` per sample."""
    level, out = 0.0, np.empty_like(values)
    for index, value in enumerate(values.tolist()):
        level = max(value, level * release)
        out[index] = level
    return out


def _noise(audio: Audio, rng: np.random.Generator) -> Audio:
    """Add white noise with an RMS level of 50 dB below the peak."""
    size = _peak(audio) * 10 ** (-50 / 20)
    return _as_float(audio.samples + rng.normal(size=audio.samples.shape) * size, audio.sr)


def _speed(audio: Audio, rng: np.random.Generator, factor: float) -> Audio:
    y = resample(audio.samples, sr=audio.sr, to_sr=round(audio.sr / factor))
    return _as_float(y, audio.sr)


CHANGES: dict[str, dict[str, Change]] = {
    "lossless": {
        "gain -30 dB": partial(_gain, db=-30.0),
        "gain +12 dB": partial(_gain, db=12.0),
        "polarity": lambda audio, rng: _as_float(-audio.samples, audio.sr),
        "offset (DC)": _offset,
        "FLAC, 24 bits": partial(_encode, container="FLAC", subtype="PCM_24"),
        "44.1 kHz": partial(_rate, sr=44_100),
        "48 kHz": partial(_rate, sr=48_000),
        "96 kHz": partial(_rate, sr=96_000),
        "16 bits": partial(_bits, peak_steps=16_384, dither=False),
        "16 bits, dither": partial(_bits, peak_steps=16_384, dither=True),
        "silence before": _silence,
    },
    "lossy": {
        "16 bits at -30 dB": partial(_bits, peak_steps=1_000, dither=True),
        "Vorbis": partial(_encode, container="OGG", subtype="VORBIS"),
        "Vorbis, small": partial(_encode, container="OGG", subtype="VORBIS", compression=0.7),
        "MP3": partial(_encode, container="MP3", subtype="MPEG_LAYER_III"),
        "Opus": partial(_encode, container="OGG", subtype="OPUS"),
        "start trimmed 1 ms": partial(_trim, ms=1),
        "start trimmed 3 ms": partial(_trim, ms=3),
        "start trimmed 5 ms": partial(_trim, ms=5),
        "tail cut to 30 %": partial(_cut, share=0.3),
        "faded": _fade,
        "mono": _mono,
        "one side": _side,
        "tilt +6 dB": partial(_spectrum, curve_db=lambda octave: np.clip(1.5 * octave, -6, 6)),
        "tilt -6 dB": partial(_spectrum, curve_db=lambda octave: np.clip(-1.5 * octave, -6, 6)),
        "high shelf +6 dB": partial(_shelf, db=6.0),
        "high shelf -6 dB": partial(_shelf, db=-6.0),
        "low shelf -6 dB": partial(
            _spectrum, curve_db=lambda octave: -6.0 / (1.0 + np.exp2(2 * (octave + 2.3)))
        ),
        "low shelf +6 dB": partial(
            _spectrum, curve_db=lambda octave: 6.0 / (1.0 + np.exp2(2 * (octave + 2.3)))
        ),
        "high-pass 40 Hz": _highpass,
        "driven": partial(_drive, amount=2.0),
        "driven hard": partial(_drive, amount=4.0),
        "limited by 6 dB": partial(_limit, db=6.0),
        "noise at -50 dB": _noise,
    },
    "low rate": {  # 33 kbit/s of one channel
        "MP3, small": partial(_encode, container="MP3", subtype="MPEG_LAYER_III", compression=0.7)
    },
    "speed": {
        "speed +1 %": partial(_speed, factor=1.01),
        "speed -1 %": partial(_speed, factor=0.99),
        "a semitone up": partial(_speed, factor=2 ** (1 / 12)),
        "a semitone down": partial(_speed, factor=2 ** (-1 / 12)),
    },
}
EDITS: tuple[Edit, ...] = tuple(
    Edit(name, kind, change)
    for kind, changes in CHANGES.items()
    for name, change in changes.items()
)


def applies(edit: Edit, audio: Audio) -> bool:
    """Return whether an edit changes this recording: "mono" and "one side" need two channels."""
    return audio.samples.shape[1] > 1 or edit.name not in ("mono", "one side")


def apply_edits(audio: Audio, edits: tuple[Edit, ...], *, rng: np.random.Generator) -> Audio:
    """Apply one edit after the other."""
    for edit in edits:
        audio = edit.change(audio, rng)
    return audio


def draw_pair(audio: Audio, rng: np.random.Generator) -> tuple[Edit, Edit]:
    """Draw two different edits, lossless ones less often, none of speed or low rate."""
    usable = [e for e in EDITS if e.kind in ("lossless", "lossy") and applies(e, audio)]
    weight = np.array([1.0 if e.kind == "lossy" else 0.4 for e in usable])
    first, second = rng.choice(len(usable), 2, replace=False, p=weight / weight.sum())
    pair = usable[first], usable[second]
    if {edit.name for edit in pair} == {"mono", "one side"}:  # either leaves one channel
        return pair[0], next(edit for edit in EDITS if edit.name == "Vorbis")
    return pair

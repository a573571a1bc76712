"""Make what takes hold besides strokes: noise, hum, sounds of handling and syllables of a voice."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

SR = 44_100  # Hz, of everything made here
MAINS_HZ = (50, 60)
TINY = 1e-9


def filter_noise(y: np.ndarray, kind: str, hz: float | tuple[float, float]) -> np.ndarray:
    """Filter with 6 dB per octave, `kind` as in `scipy.signal.butter`."""
    corner = hz if isinstance(hz, tuple) else (hz,)
    rounded = tuple(round(f, 1) for f in corner)
    return np.asarray(sosfilt(_design(kind, rounded), y))


@lru_cache(maxsize=256)
def _design(kind: str, corner: tuple[float, ...]) -> np.ndarray:
    at = corner if len(corner) > 1 else corner[0]
    return np.asarray(butter(1, at, kind, fs=SR, output="sos"))


def peak_of(y: np.ndarray) -> float:
    """Return the highest absolute sample, never 0."""
    return max(TINY, float(np.abs(y).max(initial=0.0)))


def tilt_spectrum(y: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Raise or lower all above a random frequency by up to 9 dB."""
    high = filter_noise(y, "high", float(np.exp(rng.uniform(np.log(150), np.log(6000)))))
    return np.asarray(y + (10 ** (rng.uniform(-9, 9) / 20) - 1) * high)


def add_echo(y: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Add the decaying noise of a room, from 6 dB above the sound itself to 22 dB below.

    High frequencies decay faster. The microphone is distant where the room is the louder.
    """
    n = round(rng.uniform(0.08, 0.9) * SR)
    decay = -6.9 * np.arange(n) / n
    echo = rng.standard_normal(n) * np.exp(decay)
    high = filter_noise(rng.standard_normal(n), "high", 2000.0)
    echo = filter_noise(echo, "low", rng.uniform(1500, 9000))
    echo += rng.uniform(0, 1) * high * np.exp(decay * rng.uniform(1, 3))
    echo[: round(rng.uniform(0, 0.012) * SR)] = 0.0  # the sound itself arrives first
    echo *= 10 ** (rng.uniform(-22, 6) / 20) / np.sqrt(np.sum(np.square(echo)))
    echo[0] += 1.0
    return np.asarray(fftconvolve(y, echo)[: len(y)], np.float32)


def make_noise(n: int, rng: np.random.Generator) -> np.ndarray:
    """Return white, dull or rumbling noise, or noise with hum."""
    y = rng.standard_normal(n).astype(np.float32)
    kind = rng.integers(4)
    if kind == 0:
        return y
    if kind == 1:
        return filter_noise(y, "low", rng.uniform(100, 8000))
    if kind == 2:
        return filter_noise(y, "low", rng.uniform(20, 300))
    y = filter_noise(y, "low", rng.uniform(500, 4000))
    y /= y.std() + TINY
    cycles = np.arange(n) / SR * rng.choice(MAINS_HZ)
    for harmonic in range(1, 8):
        phase = rng.uniform(0, 2 * np.pi)
        y = y + rng.uniform(0, 2) / harmonic * np.sin(2 * np.pi * harmonic * cycles + phase)
    return y


def make_handling(n: int, rng: np.random.Generator) -> np.ndarray:
    """Return low bumps, cloth, squeaks and steps, peak up to 1."""
    out, at = np.zeros(n, np.float32), round(rng.uniform(0, 0.3) * SR)
    while at < n:
        length = round(rng.uniform(0.06, 0.7) * SR)
        part = _handling_sound(length, rng)
        part *= rng.uniform(0.2, 1) / peak_of(part)
        fade = SR // 100
        part[-fade:] *= np.linspace(1, 0, fade)
        out[at : at + length] += part[: n - at].astype(np.float32)
        at += length + round(rng.uniform(0, 0.6) * SR)
    return out


def _handling_sound(n: int, rng: np.random.Generator) -> np.ndarray:
    t = np.arange(n) / SR
    attack_s = np.exp(rng.uniform(np.log(0.012), np.log(0.12)))
    fall = np.exp(-np.maximum(0, t - attack_s) / rng.uniform(0.03, 0.25))
    shape, arch = np.minimum(t / attack_s, 1) * fall, np.sin(np.pi * t / t[-1]).clip(0)
    kind = rng.integers(5)
    if kind == 0:  # a bump through a stand
        hz = rng.uniform(20, 90) * (1 + 0.2 * np.sin(6 * np.pi * t))
        return np.asarray(np.sin(2 * np.pi * np.cumsum(hz) / SR) * shape)
    if kind == 1:  # cloth
        low = rng.uniform(300, 3000)
        high = min(18_000.0, low * rng.uniform(2, 8))
        slow = filter_noise(rng.standard_normal(n + 4000), "low", rng.uniform(3, 25))[4000:]
        return filter_noise(rng.standard_normal(n), "band", (low, high)) * np.abs(slow)
    if kind == 2:  # a squeak
        hz = rng.uniform(120, 1500) * (1 + rng.uniform(-0.4, 0.4) * t / t[-1])
        tone = np.sin(2 * np.pi * np.cumsum(hz) / SR)
        return np.asarray((tone + 0.5 * tone**2) * arch ** rng.uniform(0.5, 2))
    return make_noise(n, rng) * (shape if kind == 3 else arch)


def make_syllables(n: int, rng: np.random.Generator) -> np.ndarray:
    """Return a pulsed source through four resonances, in syllables, peak up to 1."""
    out, at, pitch_hz = np.zeros(n, np.float32), 0, rng.uniform(80, 260)
    while at < n:
        length = round(rng.uniform(0.06, 0.35) * SR)
        part = _syllable(length, pitch_hz, rng)
        part *= rng.uniform(0.3, 1) / peak_of(part)
        out[at : at + length] += part[: n - at].astype(np.float32)
        at += length + round(rng.choice([0, 0, 0.03, 0.08, 0.3]) * SR)
    return out


def _syllable(n: int, pitch_hz: float, rng: np.random.Generator) -> np.ndarray:
    t = np.arange(n) / SR
    swing = 0.2 * np.sin(2 * np.pi * rng.uniform(1, 4) * t + rng.uniform(0, 2 * np.pi))
    phase = np.cumsum(pitch_hz * np.exp(0.15 * rng.standard_normal() + swing)) / SR
    source = phase % 1.0 - 0.5 + rng.uniform(0.02, 0.5) * rng.standard_normal(n)
    y = np.zeros(n)
    resonances = rng.uniform((250, 800, 2000, 3000), (900, 2200, 3200, 5000))
    for hz, gain in zip(resonances, (1, 0.6, 0.4, 0.2), strict=True):
        y += gain * filter_noise(source, "band", (hz * 0.88, hz * 1.12))
    if rng.random() < 0.35:  # a consonant
        m = min(n, round(rng.uniform(0.01, 0.1) * SR))
        low = rng.uniform(1500, 6000)
        hiss = filter_noise(rng.standard_normal(m), "band", (low, 2.5 * low)) * np.hanning(m)
        y[:m] += rng.uniform(0.1, 1) * peak_of(y) * hiss / peak_of(hiss)
    rise = np.minimum(t / rng.uniform(0.01, 0.08), 1)
    return np.asarray(y * rise * np.minimum((t[-1] - t) / rng.uniform(0.02, 0.1), 1))


def make_speech(n: int, voices: list[np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """Return recorded voices, or made syllables where there are none, peak near 1."""
    if not voices or rng.random() < 0.45:
        y = make_syllables(n, rng)
    else:
        y, at = np.zeros(n, np.float32), round(rng.uniform(0, 1) * SR)
        while at < n:
            part = resample_linearly(voices[rng.integers(len(voices))], rng.uniform(0.89, 1.13))
            part = tilt_spectrum(part, rng) if rng.random() < 0.5 else part
            y[at : at + len(part)] += (part / peak_of(part))[: n - at].astype(np.float32)
            at += len(part) + round(rng.uniform(0, 0.7) * SR)
    return add_echo(y, rng) if rng.random() < 0.3 else y


def resample_linearly(y: np.ndarray, ratio: float) -> np.ndarray:
    """Raise the pitch by `ratio`."""
    at = np.arange(int(len(y) / ratio)) * ratio
    return np.asarray(np.interp(at, np.arange(len(y)), y))

"""Synthetic sounds with known properties: mono float32 unless noted, full scale 1.0."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

SR = 48_000
STROKE_LEAD_S = 0.01  # silence at the start of `drum_stroke`


def decaying_sine(
    hz: float, t60_s: float, *, length_s: float = 1.0, sr: int = SR, amplitude: float = 0.5
) -> np.ndarray:
    """Return a tone that falls 60 dB in `t60_s` and starts at its zero crossing."""
    t = np.arange(round(length_s * sr)) / sr
    return (amplitude * np.sin(2 * np.pi * hz * t) * 10 ** (-3 * t / t60_s)).astype(np.float32)


def decaying_noise(
    t60_s: float, *, seed: int, length_s: float = 0.6, sr: int = SR, amplitude: float = 0.5
) -> np.ndarray:
    """Return white noise that falls 60 dB in `t60_s`."""
    t = np.arange(round(length_s * sr)) / sr
    noise = np.random.default_rng(seed).normal(size=len(t))
    y = noise * 10 ** (-3 * t / t60_s)
    return (amplitude * y / np.abs(y).max()).astype(np.float32)


def drum_stroke(
    hz: float = 110.0, *, seed: int = 0, sr: int = SR, strength: float = 1.0
) -> np.ndarray:
    """Return a crude drum: a gliding tone and a burst of noise that differ with the seed."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(0.7 * sr)) / sr
    glide = hz * (1 + 0.1 * strength * np.exp(-t / 0.03)) * (1 + 0.002 * rng.normal())
    tone = np.sin(2 * np.pi * np.cumsum(glide) / sr + 0.2 * rng.normal())
    y = tone * np.exp(-t / (0.12 + 0.01 * rng.normal()))
    for partial in (1.593, 2.136, 2.295, 2.653):
        phase, weight = rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.4)
        y += weight * np.sin(2 * np.pi * hz * partial * t + phase) * np.exp(-t / 0.08)
    y += 0.4 * strength * rng.normal(size=len(t)) * np.exp(-t / 0.02)
    lead = round(STROKE_LEAD_S * sr)
    stroke = np.concatenate([np.zeros(lead), y / np.abs(y).max()])
    return (0.6 * strength * stroke).astype(np.float32)


def mix_take(
    strokes: Iterable[tuple[float, np.ndarray]], *, length_s: float = 5.0, noise: float = 2e-4
) -> np.ndarray:
    """Return a take at `SR` with a stroke at each time in seconds, over white noise."""
    take = np.random.default_rng(3).normal(scale=noise, size=round(length_s * SR))
    for at_s, stroke in strokes:
        at = round(at_s * SR)
        take[at : at + len(stroke)] += stroke[: len(take) - at]
    return take.astype(np.float32)


def strokes_at(
    times_s: Iterable[float], strengths: tuple[float, ...] = (1.0, 0.15, 0.6, 0.05)
) -> list[tuple[float, np.ndarray]]:
    """Return a different drum stroke for each time, for `mix_take`; the strengths repeat."""
    lead = round(STROKE_LEAD_S * SR)
    return [
        (at_s, drum_stroke(150, seed=i, strength=strengths[i % len(strengths)])[lead:])
        for i, at_s in enumerate(times_s)
    ]


def as_frames(mono: np.ndarray, n_channels: int = 1) -> np.ndarray:
    """Return the same signal in every channel, shape (n, n_channels)."""
    return np.repeat(mono[:, None], n_channels, axis=1)

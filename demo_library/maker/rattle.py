"""Snare wires, grains in a shaker, jingles.

The wires are driven by the motion of the head. Grains follow Cook's model of many small collisions
whose rate falls with the remaining energy [1]_.

References
----------
.. [1] P. R. Cook, "Physically Informed Sonic Modeling (PhISM): synthesis of percussive sounds",
   Computer Music Journal 21(3), 38-49, 1997.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, lfilter, sosfilt

from demo_library.maker.modes import LN_60_DB, Modes, Stroke, jitter, ring_modes


@dataclass(frozen=True)
class Wires:
    """Snare wires."""

    level: float  # relative to the body of the drum
    tight: float  # 0 (loose, long rattle) to 1 (almost none)
    band_hz: tuple[float, float] = (900.0, 10_000.0)


@dataclass(frozen=True)
class Grains:
    """Many small colliding bodies: rice, beads, jingles."""

    hz: tuple[float, ...]  # resonances that each collision excites
    t60_s: float  # decay of those resonances
    swing_s: float  # time until most grains collide
    settle_s: float  # time constant of the energy after that
    rate_hz: float  # collisions per second at full energy
    hiss: float = 0.5  # level of noise without resonance


def rattle_wires(wires: Wires, head: np.ndarray, stroke: Stroke, *, sr: int) -> np.ndarray:
    """Return the sound of the wires, which collide with the head when it moves outwards.

    `head` is the motion of the head. The level grows less than the strength: the wires dominate a
    soft stroke.
    """
    rng = stroke.rng(11)
    n = len(head)
    crossing = round(0.0012 * sr)  # delay of the air between both heads
    moved = np.concatenate([np.zeros(crossing), head[: n - crossing]])
    peak = max(1e-12, np.abs(moved).max())
    thrown = np.maximum(0.0, moved / peak - 0.02 - 0.05 * wires.tight) ** 0.6
    settle = np.exp(-LN_60_DB / ((0.05 + 0.3 * (1.0 - wires.tight)) * sr))
    drive = lfilter([1.0 - settle], [1.0, -settle], thrown)
    drive = drive / max(1e-12, drive.max()) + 0.35 * thrown
    sparse = rng.random(n) < 0.25  # single collisions, not smooth noise
    noise = rng.standard_normal(n) * (0.4 + 2.0 * sparse)
    band = (wires.band_hz[0], min(wires.band_hz[1], 0.45 * sr))
    sos = butter(2, band, btype="bandpass", fs=sr, output="sos")
    return wires.level * peak * (0.4 + 0.6 * stroke.strength) * sosfilt(sos, noise * drive)


def throw_grains(grains: Grains, stroke: Stroke, *, length_s: float, sr: int) -> np.ndarray:
    """Return the sound of one movement of the shaker."""
    rng = stroke.rng(12)
    n = round(length_s * sr)
    swing_s = grains.swing_s * (1.25 - 0.5 * stroke.strength)
    time_s = np.arange(n) / sr
    energy = np.where(
        time_s < swing_s,
        np.sin(0.5 * np.pi * np.minimum(1.0, time_s / max(1e-6, swing_s))) ** 3,
        np.exp(-np.maximum(0.0, time_s - swing_s) / grains.settle_s),
    )
    probability = grains.rate_hz * (0.4 + 0.6 * stroke.strength) * energy / sr
    landed = (rng.random(n) < probability) * rng.gamma(1.5, 0.7, n) * energy
    force = (0.08 + 0.92 * stroke.strength**1.3) * landed * rng.choice([-1.0, 1.0], n)
    hz = jitter(np.array(grains.hz), stroke.rng(13), share=0.012)
    tilt = (np.array(grains.hz) / grains.hz[0]) ** (0.8 * stroke.strength - 0.6)
    resonant = ring_modes(Modes(hz, tilt, np.full(len(hz), grains.t60_s)), force, sr=sr)
    sos = butter(2, 0.5 * grains.hz[0], btype="highpass", fs=sr, output="sos")
    return resonant + grains.hiss * sosfilt(sos, force)

"""Things that rattle: snare wires thrown about by a head, grains in a jar, jingles.

The wires follow the head's motion; grains follow Cook's picture of many small collisions whose
number falls with the energy left [1]_.

References
----------
.. [1] P. R. Cook, "Physically Informed Sonic Modeling (PhISM): synthesis of percussive sounds",
   Computer Music Journal 21(3), 38-49, 1997.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, lfilter, sosfilt

from demo_library.maker.modes import LN_60_DB, Modes, Stroke, ring, spread


@dataclass(frozen=True)
class Wires:
    """Snare wires.

    Attributes
    ----------
    level : float, against the drum's body
    tight : float, 0 (loose, long sizzle) to 1 (hardly any)
    band_hz : tuple of float, Hz, where they sound
    """

    level: float
    tight: float
    band_hz: tuple[float, float] = (900.0, 10_000.0)


@dataclass(frozen=True)
class Grains:
    """Many small things in or on something: rice, beads, jingles.

    Attributes
    ----------
    hz : tuple of float, Hz, resonances that each collision excites
    t60_s : float, s, of those resonances
    swing_s : float, s, how long one throw lasts until the grains land
    settle_s : float, s, how long they go on after it, to 1/e
    rate_hz : float, collisions per second at full energy
    hiss : float, share of plain noise beside the resonances
    """

    hz: tuple[float, ...]
    t60_s: float
    swing_s: float
    settle_s: float
    rate_hz: float
    hiss: float = 0.5


def rattle_wires(wires: Wires, head: np.ndarray, stroke: Stroke, *, sr: int) -> np.ndarray:
    """Let a moving head throw the wires: they are hit each time it moves out far enough.

    Soft strokes throw them less far than loud ones, but less than in proportion: a soft snare
    drum is mostly wires.

    Parameters
    ----------
    wires : Wires
    head : np.ndarray, shape (n,)
        motion of the head
    stroke : Stroke
    sr : int, Hz, above 0

    Returns
    -------
    np.ndarray, shape (n,)
    """
    rng = stroke.rng(11)
    n = len(head)
    crossing = round(0.0012 * sr)  # the air in the drum needs that long from head to head
    moved = np.concatenate([np.zeros(crossing), head[: n - crossing]])
    peak = max(1e-12, np.abs(moved).max())
    thrown = np.maximum(0.0, moved / peak - 0.02 - 0.05 * wires.tight) ** 0.6
    settle = np.exp(-LN_60_DB / ((0.05 + 0.3 * (1.0 - wires.tight)) * sr))
    drive = lfilter([1.0 - settle], [1.0, -settle], thrown)
    drive = drive / max(1e-12, drive.max()) + 0.35 * thrown
    sparse = rng.random(n) < 0.25  # single wires land, not a smooth hiss
    noise = rng.standard_normal(n) * (0.4 + 2.0 * sparse)
    band = (wires.band_hz[0], min(wires.band_hz[1], 0.45 * sr))
    sos = butter(2, band, btype="bandpass", fs=sr, output="sos")
    return wires.level * peak * (0.4 + 0.6 * stroke.strength) * sosfilt(sos, noise * drive)


def throw_grains(grains: Grains, stroke: Stroke, *, length_s: float, sr: int) -> np.ndarray:
    """Throw a handful of grains once and let them settle.

    Parameters
    ----------
    grains : Grains
    stroke : Stroke
    length_s : float, s
    sr : int, Hz, above 0

    Returns
    -------
    np.ndarray, shape (n,)
    """
    rng = stroke.rng(12)
    n = round(length_s * sr)
    swing_s = grains.swing_s * (1.25 - 0.5 * stroke.strength)
    time_s = np.arange(n) / sr
    energy = np.where(
        time_s < swing_s,
        np.sin(0.5 * np.pi * np.minimum(1.0, time_s / max(1e-6, swing_s))) ** 3,
        np.exp(-np.maximum(0.0, time_s - swing_s) / grains.settle_s),
    )
    many = grains.rate_hz * (0.4 + 0.6 * stroke.strength) * energy / sr
    landed = (rng.random(n) < many) * rng.gamma(1.5, 0.7, n) * energy
    force = (0.08 + 0.92 * stroke.strength**1.3) * landed * rng.choice([-1.0, 1.0], n)
    hz = spread(np.array(grains.hz), stroke.rng(13), share=0.012)
    tilt = (np.array(grains.hz) / grains.hz[0]) ** (0.8 * stroke.strength - 0.6)
    heard = ring(Modes(hz, tilt, np.full(len(hz), grains.t60_s)), force, sr=sr)
    sos = butter(2, 0.5 * grains.hz[0], btype="highpass", fs=sr, output="sos")
    return heard + grains.hiss * sosfilt(sos, force)

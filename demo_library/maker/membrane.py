"""Drum heads: modes of a circular membrane, striking position, air load, falling pitch.

Frequencies are those of an ideal membrane, the zeros of the Bessel functions J_m [1]_, lowered by
the air load.

References
----------
.. [1] N. H. Fletcher and T. D. Rossing, "The Physics of Musical Instruments", chapter 3: the modes
   (m, n) of an ideal membrane are at j_mn / j_01 = 1, 1.593, 2.136, 2.295, ... of the lowest.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import jn_zeros, jv

from demo_library.maker.modes import (
    Modes,
    Stroke,
    contact_force,
    glide_pitch,
    jitter,
    noise_burst,
    ring_modes,
)

MICROPHONE_ANGLE = 0.6  # radians; on no nodal line of the lower modes


@dataclass(frozen=True)
class Drum:
    """A drum without wires."""

    pitch_hz: float  # lowest mode without air load
    t60_s: float  # decay of the slowest mode
    contact_s: float  # contact time of the beater at full strength
    beater: float = 0.05  # radius of the contact area relative to the radius of the head
    air_load: float = 0.9  # moving mass of air relative to that of the head; 0 = ideal membrane
    damping_hz: float = 500.0  # modes above it decay faster
    sharp: float = 0.04  # relative rise of the pitch at the start of a full stroke
    click: float = 0.15  # level of the contact noise
    click_hz: tuple[float, float] = (1500.0, 9000.0)  # band of the contact noise
    shell_hz: float = 0.0  # lowest resonance of shell and hoop; 0 = none
    split: float = 0.006  # relative frequency difference of twin modes of an unevenly tuned head
    hole: float = 0.0  # level of a resonance of the open front head; 0 = none
    wander: float = 0.12  # relative variation of level and decay of each mode between strokes


@lru_cache(maxsize=4)
def membrane_zeros(n_around: int = 9, n_across: int = 8) -> tuple[np.ndarray, np.ndarray]:
    """Return `n_across` zeros j_mn of J_m for each m below `n_around`, and m for each."""
    zeros = np.array([jn_zeros(m, n_across) for m in range(n_around)])
    return zeros.ravel(), np.repeat(np.arange(n_around), n_across)


def membrane_modes(drum: Drum, stroke: Stroke) -> Modes:
    """Return the modes of a head that is struck at one position: cosine modes, then sine modes.

    A mode is driven in proportion to its shape at that position, averaged over the contact area.
    Modes of large m at low frequency radiate little sound. Axisymmetric modes (m = 0) radiate
    best and decay fastest [1]_.
    """
    zeros, around = membrane_zeros()
    pitch = drum.pitch_hz * np.sqrt(stroke.tension)
    hz = pitch * zeros / zeros[0] / np.sqrt(1.0 + drum.air_load / zeros)
    hz *= np.sqrt(1.0 + drum.air_load / zeros[0]) if drum.air_load else 1.0
    shape = jv(around, zeros * 0.92 * stroke.position) / np.abs(jv(around + 1, zeros))
    shape *= np.exp(-((zeros * drum.beater) ** 2) / 4.0)  # average over the contact area
    radiated = np.minimum(1.0, (hz / 900.0) ** 0.5) ** around
    t60_s = drum.t60_s / (1.0 + (hz / drum.damping_hz) ** 1.3) * np.where(around == 0, 0.55, 1.0)
    cosine = np.cos(around * stroke.angle) * np.cos(around * MICROPHONE_ANGLE)
    sine = np.sin(around * stroke.angle) * np.sin(around * MICROPHONE_ANGLE)
    gain = jitter(shape * radiated, stroke.rng(5), share=drum.wander)
    t60_s = jitter(t60_s, stroke.rng(6), share=drum.wander)
    return Modes(
        np.concatenate([hz, hz * (1.0 + drum.split * (around > 0))]),
        np.concatenate([gain * cosine, gain * sine]),
        np.concatenate([t60_s, t60_s]),
    )


def play_drum(drum: Drum, stroke: Stroke, *, length_s: float, sr: int) -> dict[str, np.ndarray]:
    """Strike a drum once: "body" and "click"."""
    n = round(length_s * sr)
    force = contact_force(stroke, contact_s=drum.contact_s, n=n, sr=sr)
    body = ring_modes(membrane_modes(drum, stroke), force, sr=sr)
    if drum.shell_hz:
        body = body + 0.25 * ring_modes(shell_modes(drum, stroke), force, sr=sr)
    wander = max(0.3, 1.0 + 0.3 * stroke.rng(2).standard_normal())
    sharp = drum.sharp * stroke.strength**1.5 * wander
    body = glide_pitch(body, sr=sr, sharp=sharp, settle_s=0.035 + 0.08 * drum.t60_s)
    if drum.hole:
        tube = Modes(np.array([0.72 * drum.pitch_hz]), np.array([drum.hole]), np.array([0.22]))
        body = body + ring_modes(tube, force, sr=sr)
    click = noise_burst(stroke.rng(3), n=n, sr=sr, band_hz=drum.click_hz, t60_s=0.028)
    level = drum.click * stroke.strength**1.5 * stroke.rng(7).uniform(0.6, 1.4)
    return {"body": body, "click": level * click}


def shell_modes(drum: Drum, stroke: Stroke) -> Modes:
    """Return resonances of shell and hoop, louder for strokes near the edge."""
    ratios = np.array([1.0, 1.83, 2.71, 3.94, 5.35])
    wander = 1.0 + 0.004 * stroke.rng(4).standard_normal(len(ratios))
    gain = np.array([1.0, 0.8, 0.7, 0.5, 0.35]) * (0.3 + stroke.position)
    t60_s = np.array([0.16, 0.13, 0.11, 0.09, 0.07])
    return Modes(drum.shell_hz * ratios * wander, gain, t60_s)

"""Drum heads: modes of a round membrane, where it is struck, what the air adds, how pitch falls.

Frequencies are those of an ideal membrane, the zeros of the Bessel functions J_m [1]_, then pulled
down by the air that moves along.

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

from demo_library.maker.modes import Modes, Stroke, bend, burst, push, ring, spread

MICROPHONE_ANGLE = 0.6  # radians; off every nodal line of the lower modes


@dataclass(frozen=True)
class Drum:
    """A drum without wires.

    Attributes
    ----------
    pitch_hz : float, of the lowest mode without the air's load
    t60_s : float, of the slowest mode
    contact_s : float, how long beater and head touch at full strength
    beater : float, radius of what touches, as a share of the head's radius
    air_load : float, mass of the air that moves along, against the head's; 0 = ideal membrane
    damping_hz : float, modes above it die faster
    sharp : float, how much too high a full stroke starts
    click : float, level of the contact's own noise
    click_hz : tuple of float, Hz, its band
    shell_hz : float, lowest resonance of shell and hoop; 0 = none heard
    split : float, how far an unevenly tuned head pulls the twin modes apart
    hole : float, level of a second tube-like resonance (an open front head); 0 = none
    wander : float, share by which a mode's level and decay differ from stroke to stroke: how long
        the beater stays on the head, how the drum stands; 0 = not at all
    """

    pitch_hz: float
    t60_s: float
    contact_s: float
    beater: float = 0.05
    air_load: float = 0.9
    damping_hz: float = 500.0
    sharp: float = 0.04
    click: float = 0.15
    click_hz: tuple[float, float] = (1500.0, 9000.0)
    shell_hz: float = 0.0
    split: float = 0.006
    hole: float = 0.0
    wander: float = 0.12


@lru_cache(maxsize=4)
def membrane_zeros(n_around: int = 9, n_across: int = 8) -> tuple[np.ndarray, np.ndarray]:
    """Zeros j_mn of J_m, and the m of each.

    Parameters
    ----------
    n_around : int, m runs from 0 below this
    n_across : int, zeros for each m

    Returns
    -------
    tuple of np.ndarray, each shape (n_around * n_across,)
    """
    zeros = np.array([jn_zeros(m, n_across) for m in range(n_around)])
    return zeros.ravel(), np.repeat(np.arange(n_around), n_across)


def membrane_modes(drum: Drum, stroke: Stroke) -> Modes:
    """Modes of a head that is struck at one place.

    A mode is driven by its own height at that place, averaged over the beater, and hardly heard
    if it pushes the air round in circles (large m at low frequency). The ring-shaped ones (m = 0)
    push air best and so lose their energy soonest [1]_.

    Parameters
    ----------
    drum : Drum
    stroke : Stroke

    Returns
    -------
    Modes, twins (cosine and sine round the head) one after the other
    """
    zeros, around = membrane_zeros()
    pitch = drum.pitch_hz * np.sqrt(stroke.tension)
    hz = pitch * zeros / zeros[0] / np.sqrt(1.0 + drum.air_load / zeros)
    hz *= np.sqrt(1.0 + drum.air_load / zeros[0]) if drum.air_load else 1.0
    shape = jv(around, zeros * 0.92 * stroke.position) / np.abs(jv(around + 1, zeros))
    shape *= np.exp(-((zeros * drum.beater) ** 2) / 4.0)  # the beater is no point
    carried = np.minimum(1.0, (hz / 900.0) ** 0.5) ** around
    t60_s = drum.t60_s / (1.0 + (hz / drum.damping_hz) ** 1.3) * np.where(around == 0, 0.55, 1.0)
    cosine = np.cos(around * stroke.angle) * np.cos(around * MICROPHONE_ANGLE)
    sine = np.sin(around * stroke.angle) * np.sin(around * MICROPHONE_ANGLE)
    gain = spread(shape * carried, stroke.rng(5), share=drum.wander)
    t60_s = spread(t60_s, stroke.rng(6), share=drum.wander)
    return Modes(
        np.concatenate([hz, hz * (1.0 + drum.split * (around > 0))]),
        np.concatenate([gain * cosine, gain * sine]),
        np.concatenate([t60_s, t60_s]),
    )


def play_drum(drum: Drum, stroke: Stroke, *, length_s: float, sr: int) -> dict[str, np.ndarray]:
    """Strike a drum once.

    Parameters
    ----------
    drum : Drum
    stroke : Stroke
    length_s : float, s
    sr : int, Hz, above 0

    Returns
    -------
    dict of part to np.ndarray, shape (n,): "body" and "click"
    """
    n = round(length_s * sr)
    force = push(stroke, contact_s=drum.contact_s, n=n, sr=sr)
    body = ring(membrane_modes(drum, stroke), force, sr=sr)
    if drum.shell_hz:
        body = body + 0.25 * ring(shell_modes(drum, stroke), force, sr=sr)
    sharp = (
        drum.sharp * stroke.strength**1.5 * max(0.3, 1.0 + 0.3 * stroke.rng(2).standard_normal())
    )
    body = bend(body, sr=sr, sharp=sharp, settle_s=0.035 + 0.08 * drum.t60_s)
    if drum.hole:
        tube = Modes(np.array([0.72 * drum.pitch_hz]), np.array([drum.hole]), np.array([0.22]))
        body = body + ring(tube, force, sr=sr)
    click = burst(stroke.rng(3), n=n, sr=sr, band_hz=drum.click_hz, t60_s=0.028)
    loud = drum.click * stroke.strength**1.5 * stroke.rng(7).uniform(0.6, 1.4)
    return {"body": body, "click": loud * click}


def shell_modes(drum: Drum, stroke: Stroke) -> Modes:
    """A few resonances of shell and hoop, louder for strokes near the edge."""
    ratios = np.array([1.0, 1.83, 2.71, 3.94, 5.35])
    wander = 1.0 + 0.004 * stroke.rng(4).standard_normal(len(ratios))
    loud = np.array([1.0, 0.8, 0.7, 0.5, 0.35]) * (0.3 + stroke.position)
    t60_s = np.array([0.16, 0.13, 0.11, 0.09, 0.07])
    return Modes(drum.shell_hz * ratios * wander, loud, t60_s)

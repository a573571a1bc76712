"""Bars, plates, pots, boxes, as short lists of modes; and hand claps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_library.maker.modes import Modes, Stroke, contact_force, jitter, noise_burst, ring_modes

FREE_BAR = (1.0, 2.756, 5.404, 8.933)  # Fletcher and Rossing, chapter 2: bar with free ends


@dataclass(frozen=True)
class Solid:
    """A bar, plate, pot or box."""

    hz: float  # lowest mode
    ratios: tuple[float, ...]  # mode frequencies relative to the lowest
    t60_s: float  # decay of the lowest mode
    contact_s: float  # at full strength
    loss: float = 0.5  # how much faster high modes decay
    twin: float = 0.0  # relative frequency difference of paired modes; 0 = single modes
    knock: float = 0.1  # level of the contact noise
    knock_hz: tuple[float, float] = (800.0, 8000.0)  # band of the contact noise
    seed: int = 1  # fixes the levels of the modes
    wander: float = 0.003  # relative variation of each mode's frequency between strokes


def solid_modes(solid: Solid, stroke: Stroke) -> Modes:
    """Return the modes as driven by one stroke; its position sets their levels."""
    ratios = np.array(solid.ratios)
    rng = np.random.default_rng([solid.seed, 9])
    level = rng.uniform(0.5, 1.0, len(ratios)) / ratios**0.3
    shift = rng.uniform(0.0, 1.0, len(ratios))
    place = np.cos(np.arange(len(ratios)) * (0.4 + stroke.position) + shift)
    gain = jitter(level * (0.12 + place**2), stroke.rng(35), share=0.25)
    hz = jitter(solid.hz * ratios, stroke.rng(31), share=solid.wander) * np.sqrt(stroke.tension)
    t60_s = solid.t60_s / ratios**solid.loss
    t60_s = jitter(t60_s, stroke.rng(32), share=0.25)
    if not solid.twin:
        return Modes(hz, gain, t60_s)
    second = gain * np.abs(np.sin(stroke.angle + np.arange(len(ratios))))
    return Modes(
        np.concatenate([hz, hz * (1.0 + solid.twin)]),
        np.concatenate([gain, second]),
        np.concatenate([t60_s, t60_s]),
    )


def play_solid(solid: Solid, stroke: Stroke, *, length_s: float, sr: int) -> dict[str, np.ndarray]:
    """Strike a solid once: "body" and "click"."""
    n = round(length_s * sr)
    force = contact_force(stroke, contact_s=solid.contact_s, n=n, sr=sr)
    body = ring_modes(solid_modes(solid, stroke), force, sr=sr)
    knock = noise_burst(stroke.rng(33), n=n, sr=sr, band_hz=solid.knock_hz, t60_s=0.025)
    level = solid.knock * (0.05 + stroke.strength**1.6) * stroke.rng(36).uniform(0.6, 1.4)
    return {"body": body, "click": level * knock}


def clap_hands(stroke: Stroke, *, n_hands: int, length_s: float, sr: int) -> dict[str, np.ndarray]:
    """Clap: pairs of hands within a few hundredths of a second, each a noise burst; "body"."""
    rng = stroke.rng(34)
    n = round(length_s * sr)
    body = np.zeros(n)
    delays_s = np.sort(rng.uniform(0.0, 0.024, n_hands))
    starts = ((delays_s - delays_s[0]) * sr).astype(int)
    for start, level in zip(starts, rng.uniform(0.5, 1.0, n_hands), strict=True):
        center_hz = rng.uniform(900.0, 1500.0) * (0.8 + 0.4 * stroke.strength)
        band_hz = (0.6 * center_hz, 2.4 * center_hz)
        palm = noise_burst(rng, n=n - start, sr=sr, band_hz=band_hz, t60_s=rng.uniform(0.03, 0.06))
        skin = noise_burst(rng, n=n - start, sr=sr, band_hz=(2500.0, 11_000.0), t60_s=0.015)
        body[start:] += level * (palm + 0.5 * stroke.strength * skin)
    return {"body": body * (0.05 + 0.95 * stroke.strength)}

"""Strokes of struck bodies that ring: glasses, bells, bars, cowbells, tuned drums.

Two strokes of such a body share the frequencies and decays of its modes. The place of the stroke
changes the strength and polarity of each mode, its force the highs; the noise of stick and room is
new in each stroke.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catalog.audio.model import Audio

SR, LENGTH_S = 44_100, 1.2
# Frequencies relative to the lowest. Bar, bell and membrane: N. H. Fletcher and T. D. Rossing, "The
# Physics of Musical Instruments", 2nd ed., 1998, chapters 2, 3 and 21; the other two from memory.
RATIOS = {
    "glass": (1.0, 2.3, 4.2, 6.7, 9.6, 13.0),
    "bar": (1.0, 2.756, 5.404, 8.933, 13.34),
    "bell": (0.5, 1.0, 1.2, 1.5, 2.0, 2.5, 2.67, 3.0, 4.0, 5.3, 6.8),
    "cowbell": (1.0, 1.48, 2.3, 3.1, 3.7, 4.9, 6.2, 7.7, 9.1),
    "membrane": (1.0, 1.594, 2.136, 2.296, 2.653, 2.918, 3.156, 3.501, 3.6, 4.06),
}
LOWEST_HZ = {
    "glass": (500.0, 2_500.0), "bar": (300.0, 2_000.0), "bell": (300.0, 1_500.0),
    "cowbell": (400.0, 900.0), "membrane": (60.0, 350.0),
}  # fmt: skip
DECAY_S = {
    "glass": (0.1, 1.5), "bar": (0.1, 1.0), "bell": (0.3, 2.0), "cowbell": (0.03, 0.25),
    "membrane": (0.05, 0.4),
}  # fmt: skip
MAX_SPLIT = 0.01  # of a mode into two of nearly the same frequency, as in any body not quite round
SPREAD_DB = (1.0, 8.0)  # of the modes of one stroke by where the body was struck
MAX_FLIPPED = 0.3  # share of the modes of inverted polarity
MAX_DETUNED = (
    0.002  # of a drum, which is higher when struck harder; metal and glass hold their pitch
)
CONTACT_S = (0.0001, 0.0015)  # of the stick; hard to soft
CONTACT_SPREAD = 0.3  # from stroke to stroke, natural logarithm
STICK_DB, ROOM_DB = (-45.0, -8.0), (-85.0, -50.0)  # peak of the noise relative to the stroke
STICK_S = (0.0005, 0.004)  # decay of the noise of the stick
REFLECTIONS, REFLECTION_S = 6, 0.02


@dataclass(frozen=True, eq=False)
class RingingBody:
    """A struck body before one microphone; arrays have shape (n_modes,)."""

    kind: str
    hz: np.ndarray
    decay_s: np.ndarray
    level: np.ndarray
    path: np.ndarray  # impulse response to the microphone, shape (n,)
    spread_db: float
    contact_s: float
    stick_db: float
    room_db: float

    def strike(self, rng: np.random.Generator) -> Audio:
        """Return one stroke, float, one channel, at `SR`."""
        y = self._ring(rng)
        y /= max(float(np.abs(y).max()), 1e-12)
        y += _level(self.stick_db + rng.normal(0.0, 2.0)) * _stick_noise(len(y), rng)
        y = np.convolve(y, self.path)[: len(y)]
        y *= np.minimum(1.0, np.arange(len(y), 0, -1) / (0.05 * SR))
        lead = np.zeros(round(rng.uniform(0.002, 0.05) * SR))
        y = np.concatenate([lead, y / max(float(np.abs(y).max()), 1e-12)])
        y += _level(self.room_db) / 4.0 * rng.normal(size=len(y))  # peaks at four deviations
        samples = y[:, None] * _level(rng.uniform(-12.0, -1.0))
        return Audio(np.asarray(samples, np.float32), SR, "WAV", "FLOAT")

    def _ring(self, rng: np.random.Generator) -> np.ndarray:
        n = len(self.hz)
        sign = np.where(rng.random(n) < rng.uniform(0.0, MAX_FLIPPED), -1.0, 1.0)
        level = self.level * sign * _level(rng.normal(0.0, self.spread_db, n))
        contact_s = self.contact_s * np.exp(rng.normal(0.0, CONTACT_SPREAD))
        level /= 1.0 + (2.0 * self.hz * contact_s) ** 2  # half a sine of force, by its slope
        detuned = rng.normal(0.0, MAX_DETUNED) if self.kind == "membrane" else 0.0
        hz = self.hz * (1.0 + detuned)
        time_s = np.arange(round(LENGTH_S * SR)) / SR
        ringing = np.exp(-time_s / self.decay_s[:, None]) * np.sin(2 * np.pi * hz[:, None] * time_s)
        return np.asarray(level @ ringing)


def draw_body(rng: np.random.Generator) -> RingingBody:
    """Draw a body of any kind and its microphone."""
    kind = str(rng.choice(sorted(RATIOS)))
    lowest_hz = float(np.exp(rng.uniform(*np.log(LOWEST_HZ[kind]))))
    hz = lowest_hz * np.array(RATIOS[kind]) * np.exp(rng.normal(0.0, 0.02, len(RATIOS[kind])))
    hz = np.concatenate([hz, hz * (1.0 + rng.uniform(0.0, MAX_SPLIT, len(hz)))])
    hz = hz[hz < 0.45 * SR]
    longest_s = float(np.exp(rng.uniform(*np.log(DECAY_S[kind]))))
    return RingingBody(
        kind,
        hz,
        longest_s * (hz.min() / hz) ** rng.uniform(0.2, 1.0),
        _level(rng.normal(0.0, 6.0, len(hz))),
        _draw_path(rng),
        rng.uniform(*SPREAD_DB),
        float(np.exp(rng.uniform(*np.log(CONTACT_S)))),
        rng.uniform(*STICK_DB),
        rng.uniform(*ROOM_DB),
    )


def _level(db: float | np.ndarray) -> np.ndarray:
    return np.asarray(10.0 ** (np.asarray(db) / 20.0))


def _stick_noise(n: int, rng: np.random.Generator) -> np.ndarray:
    decay_s = np.exp(rng.uniform(*np.log(STICK_S)))
    return np.asarray(rng.normal(size=n) * np.exp(-np.arange(n) / (decay_s * SR)) / 3.0)


def _draw_path(rng: np.random.Generator) -> np.ndarray:
    """Return the direct sound and a few reflections."""
    path = np.zeros(round(REFLECTION_S * SR))
    path[0] = 1.0
    path[rng.integers(20, len(path), REFLECTIONS)] = rng.normal(0.0, 0.15, REFLECTIONS)
    return path

"""Attack of a stroke, from an energy envelope that does not follow the wave."""

from __future__ import annotations

import numpy as np

from catalog.features.envelope import block_energy

SHORTEST_S = 0.002  # width of the window, at least
LONGEST_S = 0.050  # two periods of 40 Hz
SEARCH_S = 0.5  # a slower rise is a swell
RISE = (0.1, 0.9)  # of the highest energy


def attack_time(samples: np.ndarray, *, sr: int, period_s: float = 0.0) -> float:
    """Return the time in s in which the energy rises from 10 % to 90 % of its maximum.

    The energy is that under a triangular window of twice `period_s`, the mean period of the sound,
    but of 2 to 50 ms. The energy of a wave pulses twice in its period, and such a window averages
    that out. The result for a sudden start is about 0.55 of the window [1]_.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono, from the start of the stroke
    sr : int, Hz
    period_s : float, s

    References
    ----------
    .. [1] ISO/IEC 15938-4:2002, 5.5.4, LogAttackTime: from where the envelope starts until its
       maximum; the envelope and the thresholds are left open. G. Peeters, "A large set of audio
       features for sound description", CUIDADO project report, IRCAM, 2004 (10 and 90 % are common
       practice).
    """
    n = max(1, round(0.5 * min(max(2.0 * period_s, SHORTEST_S), LONGEST_S) * sr))
    level = smooth_energy(_until_loudest(samples[: round(SEARCH_S * sr)], n), n)
    top = float(level.max())
    if top <= 0.0:
        return 0.0
    low, high = (share * top for share in RISE)
    reached = int(np.argmax(level >= high))
    below = np.flatnonzero(level[: reached + 1] < low)
    start = int(below[-1]) if len(below) else 0
    return max(0.0, _crossing(level, reached - 1, high) - _crossing(level, start, low)) / sr


def smooth_energy(samples: np.ndarray, n: int) -> np.ndarray:
    """Average the energy over a triangle of 2 n samples, from its first to its last overlap.

    The result is float64, shape (len(samples) + 2 n,); the first and the last are about 0.
    """
    energy = np.zeros(len(samples) + 2 * n + 1)
    np.square(samples, out=energy[1 : 1 + len(samples)], dtype=np.float64)
    for _ in range(2):
        energy = np.cumsum(energy)
        energy[n:] -= energy[:-n].copy()
    return energy[1:] / n**2


def _crossing(level: np.ndarray, at: int, value: float) -> float:
    """Return where the level passes `value` between `at` and the next sample, in samples."""
    if at < 0 or at + 1 >= len(level) or level[at + 1] <= level[at]:
        return float(max(at, 0))
    return at + min(1.0, max(0.0, (value - level[at]) / (level[at + 1] - level[at])))


def _until_loudest(samples: np.ndarray, n: int) -> np.ndarray:
    """Drop the samples after the last window that could be the loudest."""
    blocks = block_energy(samples, n)
    threes = blocks.copy()  # a window lies within three blocks: their energy is its upper bound
    threes[:-1] += blocks[1:]
    threes[:-2] += blocks[2:]
    pairs = 0.25 * (blocks[:-1] + blocks[1:]) if len(blocks) > 1 else blocks
    least = float(pairs.max()) if len(pairs) else 0.0
    last = int(np.flatnonzero(threes >= least)[-1])
    return samples[: (last + 3) * n]

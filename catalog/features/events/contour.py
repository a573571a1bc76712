"""Level of a hit over time, in blocks of 5 ms, and what it shows at a glance.

The energy of a struck body falls from the beginning on: it is a sum of decaying exponentials. Most
hits can be called a stroke from this contour alone, at a small part of the cost of measuring them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catalog.features.envelope import block_energy

BLOCK_S = 0.005
SMOOTH_BLOCKS = 8  # 40 ms; two periods of 50 Hz
FLOOR = 1e-9  # of the maximum
RISES_DB = (-20.0, -12.0, -6.0, -3.0)  # levels that a rise passes
LONG_DB = -10.0  # below the maximum; the sound lasts while it is louder
RISES_S, RISEN_DB = 4.0, -40.0  # of a hit, where rises are counted; level that they reach
AUDIBLE_DB = -25.0  # below the maximum, for what is compared over time


@dataclass(frozen=True, eq=False)
class Contour:
    """Levels in dB below the loudest block; all times in s.

    Attributes
    ----------
    level_db : np.ndarray, shape (n_blocks,), over 10 ms
    smooth_db : np.ndarray, shape (n_blocks,), over 40 ms
    rise_s : tuple of float, from the first level of `RISES_DB` to each of the others
    attack_s : float, from the last block below -20 dB before the loudest one to the loudest one
    start : int, first block above `LONG_DB`
    """

    level_db: np.ndarray
    smooth_db: np.ndarray
    rise_s: tuple[float, float, float]
    attack_s: float
    start: int

    @property
    def length_s(self) -> float:
        """Time during which the level is above `LONG_DB`."""
        return float((self.level_db > LONG_DB).sum()) * BLOCK_S

    def later_db(self, after_s: float) -> float:
        """Return the highest smoothed level from a time after the start on; -inf past the end."""
        later = self.smooth_db[self.start + round(after_s / BLOCK_S) :]
        return float(later.max(initial=-np.inf))

    def regrowth_db(self) -> float:
        """Return the largest rise after a fall, of smoothed levels that are audible."""
        part = self.smooth_db[self.start :]
        grown = part - np.minimum.accumulate(part)
        return float(grown[part > AUDIBLE_DB].max(initial=0.0))

    def rises_s(self, rise_db: float) -> list[float]:
        """Return the times at which the level has risen by `rise_db` after a fall by as much."""
        times_s, is_falling, limit = list[float](), True, float(self.level_db[0])
        for i, level in enumerate(self.level_db[: round(RISES_S / BLOCK_S)].tolist()):
            if is_falling and level > limit + rise_db and level > RISEN_DB:
                times_s.append(i * BLOCK_S)
                is_falling, limit = False, level
            elif not is_falling and level < limit - rise_db:
                is_falling, limit = True, level
            else:
                limit = min(limit, level) if is_falling else max(limit, level)
        return times_s


def trace_contour(body: np.ndarray, *, sr: int) -> Contour:
    """Trace the level of a hit that begins with its stroke; `body` has shape (n,)."""
    power = block_energy(body, max(1, round(BLOCK_S * sr)))
    power = np.concatenate([power, np.zeros(SMOOTH_BLOCKS, power.dtype)])
    level, smooth = (_to_db(_smooth(power, n)) for n in (2, SMOOTH_BLOCKS))
    first, *later = (int(np.argmax(level > db)) for db in RISES_DB)
    loudest = int(np.argmax(level))
    below = np.flatnonzero(level[: loudest + 1] < RISES_DB[0])
    attack = loudest - (int(below[-1]) if len(below) else 0)
    a, b, c = ((at - first) * BLOCK_S for at in later)
    start = int(np.argmax(smooth > LONG_DB))
    return Contour(level, smooth, (a, b, c), attack * BLOCK_S, start)


def _smooth(power: np.ndarray, n: int) -> np.ndarray:
    total = np.concatenate([np.zeros(n // 2 + 1), np.cumsum(power, dtype=np.float64)])
    total = np.concatenate([total, np.full(n, total[-1])])
    return np.asarray(total[n : n + len(power)] - total[: len(power)])


def _to_db(power: np.ndarray) -> np.ndarray:
    return np.asarray(10.0 * np.log10(np.maximum(power / max(power.max(), 1e-30), FLOOR)))

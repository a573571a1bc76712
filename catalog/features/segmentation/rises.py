"""Find the strokes of a take among the sudden rises of its level.

A stroke after silence or talk must rise more than one over the ring of the stroke before, because
a voice can start suddenly too. The thresholds were set on half of the drums that
`tests/bench/takes.py` measures with; it prints both halves.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from catalog.features.segmentation.levels import BLOCK_S, sliding_max, smooth_level, to_blocks

AHEAD_S = 0.008  # a stroke reaches its level within this time
SUDDEN_S = 0.003  # most of its rise happens within this time
BEFORE_S = (0.022, 0.002)  # window before the rise whose highest level is compared
OVER_NOISE_DB = 12.0  # over the quietest tenth of the take; noise in 1 ms blocks stays under 8
UNDER_LOUDEST_DB = 50.0  # a stroke further below the loudest of the take is bleed or a rustle
RING_RISE_DB = 9.0  # required over a ring
SOFTER_DB = 15.0  # the most by which a stroke is usually softer than the one before
FAR_SOFTER_DB, FAR_SOFTER_RISE_DB = 18.0, 14.0  # softer than that (pedal, rattle): required rise
QUIET_RISE_DB = (14.0, 26.0)  # limits of the rise required from silence, half the range over noise
TALK_RISE_DB = 32.0  # required shortly after a rise that was no stroke
TALK_S = 0.4  # meaning of "shortly"
ATTACK_BLOCKS = 14  # ms in which a stroke reaches its full level
GROWTH_DB = 7.0  # the most that a stroke grows after its attack; a voice swells on
GROWTH_BLOCKS = 300  # ms over which growth is measured
GROWTH_SMOOTH_S = 0.005
FLAM_S = 0.050  # closer strokes are one flam, or one stroke at a close and a distant microphone
FALL_LEAD_BLOCKS = 18  # ms before a rise that are left out when the fall before it is measured
PEAK_S = 0.100  # a stroke is loudest within this time
SWELL_DB = 9.0  # a decay that rises this far over its minimum holds something else
CLICK_S, CLICK_DB = 0.015, 20.0  # shorter and softer than the median stroke: sticks that touched
CLICK_SMOOTH_S, CLICK_FALL_DB = 0.003, 20.0  # length is measured down to this level
SURE_RISE_DB = 20.0  # a second stroke that rises this far makes a file a take
SURE_GAP_S = 0.200  # if it follows this long after the first; grains of shakers come faster
LIKELY, LIKELY_RISE_DB = 3, 12.0  # or this many strokes that rise this far
MASKED_DB = 15.0  # a rise this far under the ring is inaudible: the ring of a file was cut off


@dataclass(frozen=True)
class Rise:
    """A sudden rise of the level."""

    at: int  # block
    band: int  # index of the band that rose most
    rise_db: float  # rise of that band
    growth_db: float  # growth of the total level after the attack
    over_db: float  # level of that band after the rise over the total level before it


def find_rises(bands: np.ndarray, total: np.ndarray) -> list[Rise]:
    """Find every block at which the level of some band jumps, in order of time.

    `bands` are in dB, shape (n_bands, n_blocks), and `total` has shape (n_blocks,).
    """
    from scipy.ndimage import maximum_filter1d

    ahead, sudden = to_blocks(AHEAD_S), to_blocks(SUDDEN_S)
    first, last = (to_blocks(s) for s in BEFORE_S)
    floors = np.percentile(bands, 10, axis=1, keepdims=True)
    before = np.maximum(sliding_max(bands, -first, -last), floors)
    after = sliding_max(bands, 0, ahead)
    is_audible = (after > floors + OVER_NOISE_DB) & (after > total.max() - UNDER_LOUDEST_DB)
    slow = np.where(is_audible, after - before, 0.0).max(axis=0)
    quick = np.where(is_audible, sliding_max(bands, 0, sudden) - before, 0.0)
    is_top = (slow >= RING_RISE_DB) & (slow >= maximum_filter1d(slow, 2 * ahead + 1))
    even = smooth_level(total, GROWTH_SMOOTH_S)
    rises: list[Rise] = []
    for at in map(int, np.flatnonzero(is_top)):
        if rises and at - rises[-1].at <= ahead:
            continue
        by_band = quick[:, max(0, at - 3) : at + ahead + 1].max(axis=1)
        band = int(np.argmax(by_band))
        over = after[band, at] - total[max(0, at - first) : max(1, at - last)].max()
        growth = _growth_db(even, at, at + GROWTH_BLOCKS)
        rises.append(Rise(at, band, float(by_band[band]), growth, float(over)))
    return [_limit_growth(a, b, even) for a, b in itertools.zip_longest(rises, rises[1:])]


def _growth_db(even: np.ndarray, at: int, stop: int) -> float:
    return float(even[at:stop].max() - even[at : at + ATTACK_BLOCKS].max())


def _limit_growth(rise: Rise, following: Rise | None, even: np.ndarray) -> Rise:
    """Measure the growth of the soft stroke of a flam only up to its loud stroke."""
    if following is None or following.growth_db > GROWTH_DB:
        return rise
    if following.at - rise.at > to_blocks(FLAM_S):
        return rise
    stop = max(rise.at + ATTACK_BLOCKS, following.at - 2)
    return replace(rise, growth_db=_growth_db(even, rise.at, stop))


def select_strokes(rises: list[Rise], smooth: np.ndarray, noise_db: float) -> list[Rise]:
    """Keep the rises that are strokes; what was before each decides how far it must rise.

    `smooth` is the smoothed total level in dB, shape (n_blocks,), and `noise_db` that of the noise.
    """
    low, high = QUIET_RISE_DB
    quiet_rise = float(np.clip(0.5 * (smooth.max() - noise_db), low, high))
    strokes, last_other = list[Rise](), -np.inf
    for rise in rises:
        is_over_ring = False
        if (rise.at - last_other) * BLOCK_S < TALK_S:
            required = TALK_RISE_DB
        elif strokes:
            before = smooth[strokes[-1].at : max(0, rise.at - FALL_LEAD_BLOCKS)]
            required = _required_over_ring(before, quiet_rise)
            is_over_ring = required < quiet_rise
            if _peak_db(smooth, rise.at) < _peak_db(smooth, strokes[-1].at) - FAR_SOFTER_DB:
                required = max(required, FAR_SOFTER_RISE_DB)
        else:
            required = quiet_rise
        if rise.rise_db >= required and rise.growth_db <= GROWTH_DB:
            strokes.append(rise)
        elif not is_over_ring:  # a rise rejected over a ring is no sign of talk
            last_other = rise.at
    return strokes


def _peak_db(smooth: np.ndarray, at: int) -> float:
    return float(smooth[at : at + to_blocks(PEAK_S)].max())


def _required_over_ring(level: np.ndarray, quiet_rise: float) -> float:
    """Return the required rise in dB, from how far the stroke before has fallen.

    `level` runs from that stroke on. If it swelled meanwhile, it no longer shows a ring.
    """
    n = to_blocks(PEAK_S)
    if len(level) < n:
        return RING_RISE_DB
    decay = level[int(np.argmax(level[:n])) :]
    if np.any(decay > np.minimum.accumulate(decay) + SWELL_DB):
        return quiet_rise
    fallen = float(decay[0] - decay[-1])
    return float(np.clip(fallen - SOFTER_DB, RING_RISE_DB, quiet_rise))


def drop_stick_clicks(strokes: list[Rise], total: np.ndarray) -> list[Rise]:
    """Leave out strokes far shorter and softer than the median one: sticks that touched."""
    if not strokes:
        return []
    level = smooth_level(total, CLICK_SMOOTH_S)
    stops = [*(stroke.at for stroke in strokes[1:]), len(total)]
    peaks, lengths_s = [], []
    for stroke, stop in zip(strokes, stops, strict=True):
        part = level[stroke.at : stop]
        at = int(np.argmax(part[: to_blocks(PEAK_S)]))
        under = np.flatnonzero(part[at:] < part[at] - CLICK_FALL_DB)
        peaks.append(float(part[at]))
        lengths_s.append((int(under[0]) if len(under) else len(part)) * BLOCK_S)
    softest = float(np.median(peaks)) - CLICK_DB
    measured = zip(strokes, peaks, lengths_s, strict=True)
    return [s for s, peak, length_s in measured if length_s >= CLICK_S or peak >= softest]


def is_take(strokes: list[Rise]) -> bool:
    """Return whether enough strokes follow the first one for a take of several strokes."""
    later = [s for s in strokes[1:] if (s.at - strokes[0].at) * BLOCK_S >= SURE_GAP_S]
    later = [s for s in later if s.over_db >= -MASKED_DB]
    is_sure = any(s.rise_db >= SURE_RISE_DB for s in later)
    return is_sure or sum(s.rise_db >= LIKELY_RISE_DB for s in later) >= LIKELY

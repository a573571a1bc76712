"""Find the sudden rises of the level, of the spectral flux and of the power in a take."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, replace

import numpy as np

from catalog.features.segmentation.flux import Spectra, frames_of_blocks
from catalog.features.segmentation.levels import (
    BLOCK_S,
    band_levels,
    sliding_max,
    smooth_level,
    to_blocks,
    to_db,
)
from catalog.features.segmentation.steps import measure_steps

AHEAD_S = 0.008  # a stroke reaches its level within this time
SUDDEN_S = 0.003  # most of its rise happens within this time
BEFORE_S = (0.022, 0.002)  # window before the rise whose highest level is compared
OVER_NOISE_DB = 8.0  # over the quietest tenth of the take; noise in 1 ms blocks stays under it
UNDER_LOUDEST_DB = 50.0  # a stroke further below the loudest of the take is bleed or a rustle
RING_RISE_DB = 6.0  # of one band; `select_strokes` leaves out what is no stroke
ATTACK_BLOCKS = 14  # ms in which a stroke reaches its full level
GROWTH_DB = 7.0  # the most that a stroke grows after its attack; a voice swells on
FLUX_DB = 0.8  # or of the mean of narrow bands; 1.2 misses one of eleven strokes of cymbals
LEAST_STEP = 5.0  # or of the power, see `measure_steps`
FLUX_BLOCKS = 15  # ms; a spectrum is 12 ms long
LIMIT_RISE_DB = 12.0  # a later rise this high may be a stroke; growth is measured up to it
GROWTH_BLOCKS = 300  # ms over which growth is measured
GROWTH_SMOOTH_S = 0.005
FLAM_S = 0.050  # closer strokes are one flam, or one stroke at a close and a distant microphone


@dataclass(frozen=True)
class Rise:
    """A sudden rise of the level."""

    at: int  # block
    band: int  # index of the band that rose most
    rise_db: float  # rise of that band
    growth_db: float  # growth of the total level after the attack
    over_db: float  # level of that band after the rise over the total level before it
    swell_db: float = 0.0  # growth that later rises do not limit, unless they end a flam
    flux_db: float = 0.0  # mean rise of narrow bands, see `spectral_flux`
    likelihood: float = 1.0  # of a stroke, see `select_strokes`
    step: float = 0.0  # rise of the power of 15 ms, see `measure_steps`


@dataclass(frozen=True, eq=False)
class TakeRises:
    """The sudden rises of a take.

    Attributes
    ----------
    rises : list of Rise, in order of time
    total : np.ndarray, shape (n_blocks,), level in dB
    block : int, frames per block
    """

    rises: list[Rise]
    total: np.ndarray
    block: int


def trace_rises(mono: np.ndarray, spectra: Spectra, *, sr: int) -> TakeRises:
    """Measure the level of a take in blocks and find its rises.

    Parameters
    ----------
    mono : np.ndarray, shape (n,), full scale 1.0
    spectra : Spectra, of `mono`
    sr : int, Hz
    """
    block = max(1, round(BLOCK_S * sr))
    bands = band_levels(mono, sr=sr, block=block)
    total = to_db(np.sum(10.0 ** (bands / 10.0), axis=0))
    frames = frames_of_blocks(np.arange(len(total)), spectra, block=block)
    step = measure_steps(spectra.levels)[frames]
    return TakeRises(find_rises(bands, total, spectra.flux[frames], step), total, block)


def find_rises(
    bands: np.ndarray, total: np.ndarray, flux: np.ndarray, step: np.ndarray
) -> list[Rise]:
    """Find every block at which some band, the flux or the power jumps, in order of time.

    `bands` are in dB, shape (n_bands, n_blocks); the others have shape (n_blocks,).
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
    window = 2 * FLUX_BLOCKS + 1
    can_be_heard = is_audible.any(axis=0)
    bursts, steps = (
        np.flatnonzero(can_be_heard & (row >= least) & (row >= maximum_filter1d(row, window)))
        for row, least in ((flux, FLUX_DB), (step, LEAST_STEP))
    )
    even = smooth_level(total, GROWTH_SMOOTH_S)
    rises: list[Rise] = []
    for at in _merge_blocks(np.flatnonzero(is_top), bursts, steps, ahead=ahead):
        near = slice(max(0, at - 3), at + ahead + 1)
        by_band = quick[:, near].max(axis=1)
        band = int(np.argmax(by_band))
        over = after[band, at] - total[max(0, at - first) : max(1, at - last)].max()
        growth = _growth_db(even, at, at + GROWTH_BLOCKS)
        burst = flux[max(0, at - FLUX_BLOCKS // 2) : at + FLUX_BLOCKS].max()
        clear = step[max(0, at - FLUX_BLOCKS // 2) : at + FLUX_BLOCKS].max()
        numbers = map(float, (by_band[band], growth, over, growth, burst))
        rises.append(replace(Rise(at, band, *numbers), step=float(clear)))
    return _limit_growth(rises, even)


def _merge_blocks(tops: np.ndarray, *others: np.ndarray, ahead: int) -> list[int]:
    """Return the blocks of rises of the level, and of `others` that are not near earlier ones."""
    merged: list[int] = []
    for at in map(int, tops):
        if not merged or at - merged[-1] > ahead:
            merged.append(at)
    for blocks in others:
        for at in map(int, blocks):
            place = bisect_left(merged, at)
            near = merged[max(0, place - 1) : place + 1]
            if all(abs(other - at) > FLUX_BLOCKS for other in near):
                merged.insert(place, at)
    return merged


def _growth_db(even: np.ndarray, at: int, stop: int) -> float:
    return float(even[at:stop].max() - even[at : at + ATTACK_BLOCKS].max())


def _limit_growth(rises: list[Rise], even: np.ndarray) -> list[Rise]:
    """Measure the growth of each rise only up to the next rise that may be a stroke."""
    limited, limit = list[Rise](), len(even)
    for rise in reversed(rises):
        if rise.growth_db > GROWTH_DB:
            stop = min(rise.at + GROWTH_BLOCKS, max(rise.at + ATTACK_BLOCKS, limit - 2))
            growth = _growth_db(even, rise.at, stop)
            is_flam = limit - rise.at <= to_blocks(FLAM_S)
            rise = replace(rise, growth_db=growth, swell_db=growth if is_flam else rise.swell_db)
        limited.append(rise)
        if rise.growth_db <= GROWTH_DB and rise.rise_db >= LIMIT_RISE_DB:
            limit = rise.at
    return limited[::-1]

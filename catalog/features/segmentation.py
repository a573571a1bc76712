"""Takes with several strokes: where each stroke starts and where it has rung out.

Levels are mean squares of 1 ms blocks in three bands. A stroke is a sudden rise: it asks for more
out of silence or talk, where a voice can be sudden too, and for less out of the falling ring of
the stroke before. The thresholds were set on half of the drums that `tests/bench/takes.py`
measures with; it prints both halves.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from catalog.errors import ParameterError
from catalog.features.onset import StrokeSpan, may_hold_multiple_onsets

BLOCK_S = 0.001  # levels are taken in blocks of this length
BANDS_HZ = ((0.0, 250.0), (250.0, 2500.0), (2500.0, 0.0))  # 0 is open: drum, body, stick
AHEAD_S = 0.008  # a stroke reaches its level within this time
SUDDEN_S = 0.003  # and rises most within this
BEFORE_S = (0.022, 0.002)  # what rang before is the loudest from the first to the second
OVER_NOISE_DB = 12.0  # over the quietest tenth of the take; noise in 1 ms blocks stays under 8
UNDER_LOUDEST_DB = 50.0  # a stroke further below the loudest of the take is bleed or a rustle
RING_RISE_DB = 9.0  # asked over a ring
SOFTER_DB = 15.0  # a stroke is expected to be this much softer than the one before, or less
FAR_SOFTER_DB, FAR_SOFTER_RISE_DB = 18.0, 14.0  # asked of one far softer: a pedal, a rattle
QUIET_RISE_DB = (14.0, 26.0)  # asked out of silence: half of what the take has over its noise
TALK_RISE_DB = 32.0  # asked where something swelled shortly before
TALK_S = 0.4  # so long before
GROWTH_DB = 7.0  # a stroke grows no more than this after its first 14 ms; a voice swells on
SURE_RISE_DB = 20.0  # a file is a take if a second stroke rises so far
LIKELY, LIKELY_RISE_DB = 3, 12.0  # or so many more strokes rise so far
MASKED_DB = 15.0  # a rise so far under what rings there is a break in a fade: none heard it
SURE_GAP_S = 0.200  # and so long after the first; grains of shakers and scrapers come faster
FLAM_S = 0.050  # strokes closer than that are one (a flam); also the way to a distant microphone
ROLL_S = 0.100  # three and more strokes, each closer than that to the one before, are one roll
BOUNCE_DB = 7.0  # a second one within that time, so much softer: the beater or stick came back
CLICK_S, CLICK_DB = 0.015, 20.0  # shorter and this far below the usual stroke: two sticks touched
SMOOTH_S = 0.030  # decays are followed in steps of this length: a period of the lowest drums
HOLD_S = 0.060  # and are over when they stay low for so long
NOISE_PERCENT = 1.0  # this share of a take is quieter than its noise
TAIL_DB = -60.0  # below the stroke's highest level it has rung out
NOISE_MARGIN_DB = 2.0  # above the noise a decay is lost in it
SWELL_DB = 9.0  # a decay that rises by this over its lowest: something else began
BEAT_DB = 3.0  # and stands so far over what it was as long before: tones that beat swing back
NEAR_LOWEST_DB = 3.0  # the decay reaches to the last place so near its lowest
KEEP_DB = -43.0  # no region ends before its stroke has fallen so far, unless another begins
PEAK_S = 0.100  # a stroke is loudest within this time
LEAD_S = 0.001  # kept before the onset
ONSET_SHARE = 0.05  # of the stroke's peak, as for finished hits
MIN_TAKE_S = 0.150  # no file shorter than this holds two strokes
TINY = 1e-12  # mean square, -120 dBFS


@dataclass(frozen=True)
class _Rise:
    """A sudden rise: its block, the band that rose most, by how much, and what it grew later.

    `over_db` is the level of that band over all that rang before.
    """

    at: int
    band: int
    rise_db: float
    growth_db: float
    over_db: float


def segment_take(mono: np.ndarray, *, sr: int) -> tuple[StrokeSpan, ...]:
    """Cut a take into strokes.

    A flam is one stroke, and so is a roll. Talk and clicks of sticks are left out.

    Parameters
    ----------
    mono : np.ndarray, shape (n,), full scale 1.0
    sr : int, Hz, above 0

    Returns
    -------
    tuple of Region
        in order, never overlapping; none where the file holds one finished hit, or nothing

    Raises
    ------
    ParameterError
        if `sr` is not above 0
    """
    if sr <= 0:
        raise ParameterError(f"sr={sr} must be above 0 Hz")
    if len(mono) < MIN_TAKE_S * sr or not may_hold_multiple_onsets(mono, sr=sr):
        return ()
    block = max(1, round(BLOCK_S * sr))
    bands = _band_levels(mono, sr=sr, block=block)
    total = _to_db(np.sum(10.0 ** (bands / 10.0), axis=0))
    smooth = _smooth(total, SMOOTH_S)
    noise = float(np.percentile(smooth, NOISE_PERCENT))
    strokes = _without_clicks(_sift(_find_rises(bands, total), smooth, noise), total)
    if not _is_take(strokes):
        return ()
    onsets = [_refine(mono, stroke, sr=sr, block=block) for stroke in strokes]
    onsets = _merge_close(dict(zip(onsets, _peaks(strokes, total), strict=True)), sr=sr)
    if len(onsets) < 2:
        return ()
    return _to_regions(onsets, smooth, noise, n=len(mono), sr=sr, block=block)


def _is_take(strokes: list[_Rise]) -> bool:
    later = [s for s in strokes[1:] if (s.at - strokes[0].at) * BLOCK_S >= SURE_GAP_S]
    later = [s for s in later if s.over_db >= -MASKED_DB]
    return any(s.rise_db >= SURE_RISE_DB for s in later) or (
        sum(s.rise_db >= LIKELY_RISE_DB for s in later) >= LIKELY
    )


def _to_db(power: np.ndarray) -> np.ndarray:
    return np.asarray(10.0 * np.log10(power + TINY))


def _band_levels(mono: np.ndarray, *, sr: int, block: int) -> np.ndarray:
    """Levels in dB, shape (bands, blocks)."""
    centred = np.asarray(mono, np.float64) - np.median(mono[::8])
    n = len(mono) // block
    rows = []
    for band in range(len(BANDS_HZ)):
        y = _filter_band(centred, band, sr=sr)
        rows.append(_to_db(np.square(y[: n * block]).reshape(n, block).mean(axis=1)))
    return np.stack(rows)


def _filter_band(mono: np.ndarray, band: int, *, sr: int) -> np.ndarray:
    from scipy.signal import sosfilt

    if max(BANDS_HZ[band]) >= 0.45 * sr:  # of slow recorders: the band is above what they hold
        return np.zeros_like(mono)
    return np.asarray(sosfilt(_band_filter(band, sr), mono))


@lru_cache(maxsize=16)
def _band_filter(band: int, sr: int) -> np.ndarray:
    from scipy.signal import butter

    low, high = BANDS_HZ[band]
    if low and high:
        sos = butter(2, (low, high), "band", fs=sr, output="sos")
    else:
        sos = butter(2, low or high, "high" if low else "low", fs=sr, output="sos")
    return np.asarray(sos)


def _smooth(level_db: np.ndarray, length_s: float) -> np.ndarray:
    from scipy.ndimage import uniform_filter1d

    n = round(length_s / BLOCK_S)
    return _to_db(uniform_filter1d(10.0 ** (level_db / 10.0), n, axis=-1, mode="nearest"))


def _highest(levels: np.ndarray, first: int, stop: int) -> np.ndarray:
    """Highest of the blocks from `first` to `stop` (exclusive) away, for each block."""
    from scipy.ndimage import maximum_filter1d

    n, room = stop - first, abs(first) + abs(stop) + 1
    padded = np.pad(levels, ((0, 0), (room, room)), constant_values=10 * np.log10(TINY))
    high = maximum_filter1d(padded, n, axis=1)  # at c: from c - n // 2 on
    at = room + first + n // 2
    return np.asarray(high[:, at : at + levels.shape[1]])


def _find_rises(bands: np.ndarray, total: np.ndarray) -> list[_Rise]:
    """Every block where the level of some band jumps."""
    from scipy.ndimage import maximum_filter1d

    ahead, sudden = round(AHEAD_S / BLOCK_S), round(SUDDEN_S / BLOCK_S)
    first, last = (round(s / BLOCK_S) for s in BEFORE_S)
    floors = np.percentile(bands, 10, axis=1, keepdims=True)
    before = np.maximum(_highest(bands, -first, -last), floors)
    after = _highest(bands, 0, ahead)
    heard = (after > floors + OVER_NOISE_DB) & (after > total.max() - UNDER_LOUDEST_DB)
    slow = np.where(heard, after - before, 0.0).max(axis=0)
    quick = np.where(heard, _highest(bands, 0, sudden) - before, 0.0)
    tops = (slow >= RING_RISE_DB) & (slow >= maximum_filter1d(slow, 2 * ahead + 1))
    even = _smooth(total, 0.005)
    rises: list[_Rise] = []
    for at in np.flatnonzero(tops):
        if rises and at - rises[-1].at <= ahead:
            continue
        around = quick[:, max(0, at - 3) : at + ahead + 1].max(axis=1)
        band = int(np.argmax(around))
        over = after[band, at] - total[max(0, at - first) : max(1, at - last)].max()
        rises.append(
            _Rise(
                int(at),
                band,
                float(around[band]),
                _growth(even, int(at), int(at) + 300),
                float(over),
            )
        )
    return [_as_grace(a, b, even) for a, b in itertools.zip_longest(rises, rises[1:])]


def _growth(even: np.ndarray, at: int, stop: int) -> float:
    return float(even[at:stop].max() - even[at : at + 14].max())


def _as_grace(rise: _Rise, following: _Rise | None, even: np.ndarray) -> _Rise:
    """Take the loud stroke of a flam out of what its soft one grew."""
    if (
        following is None
        or following.at - rise.at > FLAM_S / BLOCK_S
        or following.growth_db > GROWTH_DB
    ):
        return rise
    return replace(rise, growth_db=_growth(even, rise.at, max(rise.at + 14, following.at - 2)))


def _sift(rises: list[_Rise], smooth: np.ndarray, noise: float) -> list[_Rise]:
    """Keep the strokes: how sudden one must be depends on what was there before."""
    low, high = QUIET_RISE_DB
    quiet = float(np.clip(0.5 * (smooth.max() - noise), low, high))
    strokes, last_other = list[_Rise](), -np.inf
    for rise in rises:
        ring = False  # what is rejected out of a ring is no talk
        if (rise.at - last_other) * BLOCK_S < TALK_S:
            asked = TALK_RISE_DB
        elif strokes:
            asked = _asked_over_ring(smooth[strokes[-1].at : max(0, rise.at - 18)], quiet)
            ring = asked < quiet
            if _peak(smooth, rise.at) < _peak(smooth, strokes[-1].at) - FAR_SOFTER_DB:
                asked = max(asked, FAR_SOFTER_RISE_DB)
        else:
            asked = quiet
        if rise.rise_db >= asked and rise.growth_db <= GROWTH_DB:
            strokes.append(rise)
        elif not ring:
            last_other = rise.at
    return strokes


def _peak(smooth: np.ndarray, at: int) -> float:
    return float(smooth[at : at + round(PEAK_S / BLOCK_S)].max())


def _asked_over_ring(since: np.ndarray, quiet: float) -> float:
    """Rise asked of a stroke, by how far the one before has fallen; none has where it swelled."""
    n = round(PEAK_S / BLOCK_S)
    if len(since) < n:
        return RING_RISE_DB
    peak_at = int(np.argmax(since[:n]))
    fall = since[peak_at:]
    if np.any(fall > np.minimum.accumulate(fall) + SWELL_DB):
        return quiet
    fallen = float(fall[0] - fall[-1])
    return float(np.clip(fallen - SOFTER_DB, RING_RISE_DB, quiet))


def _without_clicks(strokes: list[_Rise], total: np.ndarray) -> list[_Rise]:
    """Leave out what is far shorter and softer than the usual stroke: sticks that touched."""
    if not strokes:
        return []
    level = _smooth(total, 0.003)
    stops = [*(stroke.at for stroke in strokes[1:]), len(total)]
    peaks, lengths = [], []
    for stroke, stop in zip(strokes, stops, strict=True):
        part = level[stroke.at : stop]
        at = int(np.argmax(part[: round(PEAK_S / BLOCK_S)]))
        under = np.flatnonzero(part[at:] < part[at] - 20.0)
        peaks.append(float(part[at]))
        lengths.append((int(under[0]) if len(under) else len(part)) * BLOCK_S)
    softest = float(np.median(peaks)) - CLICK_DB
    told = zip(strokes, peaks, lengths, strict=True)
    return [s for s, peak, length in told if length >= CLICK_S or peak >= softest]


def _refine(mono: np.ndarray, rise: _Rise, *, sr: int, block: int) -> int:
    """First sample of the stroke that stands out of what was there before."""
    frame = rise.at * block
    lo, hi = max(0, frame - round(0.006 * sr)), min(len(mono), frame + round(0.012 * sr))
    first, last = max(0, lo - round(0.03 * sr)), min(len(mono), hi + round(0.03 * sr))
    part = np.asarray(mono[first:last], np.float64)
    if np.abs(part[: lo - first]).max(initial=0.0) > ONSET_SHARE * np.abs(part).max():
        part = _filter_band(part, rise.band, sr=sr)  # out of a ring: in the band that rose most
    level = np.abs(part)
    peak, stood = float(level.max()), float(level[: lo - first].max(initial=0.0))
    threshold = max(ONSET_SHARE * peak, min(1.2 * stood, 0.7 * peak))
    strong = np.flatnonzero(level[lo - first : hi - first] > threshold)
    return lo + int(strong[0]) if len(strong) else frame


def _peaks(strokes: list[_Rise], total: np.ndarray) -> list[float]:
    """Highest level of each stroke before the next, in dB."""
    level = _smooth(total, 0.005)
    stops = [*(stroke.at for stroke in strokes[1:]), len(level)]
    n = round(PEAK_S / BLOCK_S)
    return [
        float(level[s.at : max(s.at + 1, min(stop, s.at + n))].max())
        for s, stop in zip(strokes, stops, strict=True)
    ]


def _merge_close(peaks: dict[int, float], *, sr: int) -> list[int]:
    """Take flams for one stroke, rolls for one, and a beater that bounced for none of its own."""
    kept: dict[int, float] = {}
    for onset in sorted(peaks):
        last = next(reversed(kept), None)
        if last is None or onset - last >= FLAM_S * sr:
            kept[onset] = peaks[onset]
        else:
            kept[last] = max(kept[last], peaks[onset])
    merged, run = [], list[int]()
    for following in [*kept, None]:
        if following is not None and run and following - run[-1] < ROLL_S * sr:
            run.append(following)
            continue
        is_one = len(run) >= 3 or (len(run) == 2 and kept[run[1]] < kept[run[0]] - BOUNCE_DB)
        merged += run[:1] if is_one else run
        run = [following] if following is not None else []
    return merged


def _to_regions(
    onsets: list[int], smooth: np.ndarray, noise: float, *, n: int, sr: int, block: int
) -> tuple[StrokeSpan, ...]:
    starts = [max(0, onset - round(LEAD_S * sr)) for onset in onsets]
    limits = [*starts[1:], n]
    regions = []
    for start, onset, limit in zip(starts, onsets, limits, strict=True):
        stop = onset + block * _rung_out(smooth[onset // block : limit // block], noise)
        regions.append(StrokeSpan(start, onset, limit if stop + 2 * block >= limit else stop))
    return tuple(regions)


def _rung_out(level: np.ndarray, noise: float) -> int:
    """Blocks until a stroke has rung out, or something that is no stroke begins."""
    if len(level) == 0:
        return 0
    peak_at = int(np.argmax(level[: round(PEAK_S / BLOCK_S)]))
    peak = float(level[peak_at])
    floor = max(peak + TAIL_DB, noise + NOISE_MARGIN_DB)
    quiet = np.flatnonzero(_highest(level[None, peak_at:], 0, round(HOLD_S / BLOCK_S))[0] < floor)
    stop = peak_at + int(quiet[0]) if len(quiet) else len(level)
    part = level[peak_at:stop]
    swell = _find_swell(part, peak + KEEP_DB)
    if swell is None:
        return stop
    before = part[:swell]
    return peak_at + int(np.flatnonzero(before <= before.min() + NEAR_LOWEST_DB)[-1])


def _find_swell(decay: np.ndarray, below: float) -> int | None:
    """Where something swells out of a decay that has fallen under `below`.

    Two tones of one drum beat: their level falls and comes back to what it was before. So the
    level is held against the one that stood as long before the lowest.
    """
    low = np.minimum.accumulate(decay)
    at = np.arange(len(decay))
    lowest_at = np.maximum.accumulate(np.where(decay <= low, at, 0))
    as_long_before = decay[np.maximum(0, 2 * lowest_at - at)]
    swells = (low < below) & (decay > low + SWELL_DB) & (decay > as_long_before + BEAT_DB)
    return int(np.argmax(swells)) if swells.any() else None

"""Divide a take into segments: refine each onset and find where its stroke has rung out."""

from __future__ import annotations

import itertools

import numpy as np

from catalog.errors import ParameterError
from catalog.features.onset import LEAD_S, StrokeSpan
from catalog.features.segmentation.flux import spectral_flux
from catalog.features.segmentation.levels import (
    sliding_max,
    smooth_level,
    to_blocks,
)
from catalog.features.segmentation.multi_onset import may_hold_multiple_onsets
from catalog.features.segmentation.onset_time import refine_onset
from catalog.features.segmentation.rises import FLAM_S, Rise, trace_rises
from catalog.features.segmentation.strokes import (
    PEAK_S,
    SWELL_DB,
    drop_stick_clicks,
    is_take,
    select_strokes,
)

MIN_TAKE_S = 0.150  # a shorter file cannot hold two strokes
SMOOTH_S = 0.030  # window for decays, a period of the lowest drums
NOISE_PERCENT = 1.0  # percentile of the level that is taken as the noise
ROLL_S = 0.100  # three or more strokes, each closer than this to the one before, are one roll
GRACE_DB = 20.0  # a first onset of a flam that is softer by this does not begin its segment
BOUNCE_DB = 7.0  # a second stroke within that time and softer by this: the beater bounced
AFTER_S = 0.200  # a stick bounces so soon on the head; softer by `BOUNCE_DB` too
ALONE_S, MOST_BOUNCES = 0.250, 3  # no stroke is played so near it; more are a series of strokes
SMEARED_BLOCKS = 20  # ms before a stroke in which its own rise is seen, half of `SMOOTH_S` and more
HOLD_S = 0.060  # a decay is over when it stays low this long
TAIL_DB = -60.0  # under the stroke's peak; there it has rung out
NOISE_MARGIN_DB = 2.0  # above the noise; there the decay is lost in it
BEAT_DB = 3.0  # over the level as long before the minimum; two beating tones return to that level
NEAR_LOWEST_DB = 6.0  # the decay ends at the last block this close to its minimum
KEEP_DB = -43.0  # under the peak; a segment ends no earlier unless another stroke begins


def segment_take(mono: np.ndarray, *, sr: int) -> tuple[StrokeSpan, ...]:
    """Divide a take into one segment per stroke.

    A flam counts as one stroke, and so does a roll. Talk and touching sticks are left out.

    Parameters
    ----------
    mono : np.ndarray, shape (n,), full scale 1.0
    sr : int, Hz, above 0

    Returns
    -------
    tuple of StrokeSpan
        in order and without overlap; empty if the file holds one finished hit, or none

    Raises
    ------
    ParameterError
        if `sr` is not above 0
    """
    if sr <= 0:
        raise ParameterError(f"sr={sr} must be above 0 Hz")
    if len(mono) < MIN_TAKE_S * sr or not may_hold_multiple_onsets(mono, sr=sr):
        return ()
    spectra = spectral_flux(mono, sr=sr)
    found = trace_rises(mono, spectra, sr=sr)
    total, block = found.total, found.block
    strokes = select_strokes(found.rises, spectra, block=block)
    strokes = drop_stick_clicks(strokes, total)
    if not is_take(strokes):
        return ()
    onsets = [refine_onset(mono, stroke.at * block, sr=sr) for stroke in strokes]
    onsets = _merge_close(dict(zip(onsets, _stroke_peaks(strokes, total), strict=True)), sr=sr)
    if len(onsets) < 2:
        return ()
    smooth = smooth_level(total, SMOOTH_S)
    noise_db = float(np.percentile(smooth, NOISE_PERCENT))
    return _to_spans(onsets, smooth, noise_db, n=len(mono), sr=sr, block=block)


def _stroke_peaks(strokes: list[Rise], total: np.ndarray) -> list[float]:
    """Return the highest level of each stroke before the next, in dB."""
    level = smooth_level(total, 0.005)
    stops = [*(stroke.at for stroke in strokes[1:]), len(level)]
    n = to_blocks(PEAK_S)
    return [
        float(level[s.at : max(s.at + 1, min(stop, s.at + n))].max())
        for s, stop in zip(strokes, stops, strict=True)
    ]


def _merge_close(peaks: dict[int, float], *, sr: int) -> list[int]:
    """Merge the onsets of flams, of rolls and of a beater that bounced; `peaks` in dB by onset."""
    kept: dict[int, float] = {}
    for onset in sorted(peaks):
        last = next(reversed(kept), None)
        if last is None or onset - last >= FLAM_S * sr:
            kept[onset] = peaks[onset]
        elif peaks[onset] > kept[last] + GRACE_DB:
            kept.pop(last)
            kept[onset] = peaks[onset]
        else:
            kept[last] = max(kept[last], peaks[onset])
    merged, run = [], list[int]()
    for following in [*kept, None]:
        if following is not None and run and following - run[-1] < ROLL_S * sr:
            run.append(following)
            continue
        is_roll = len(run) >= 3
        is_bounce = len(run) == 2 and kept[run[1]] < kept[run[0]] - BOUNCE_DB
        merged += run[:1] if is_roll or is_bounce else run
        run = [following] if following is not None else []
    return _drop_bounces(merged, kept, sr=sr)


def _drop_bounces(onsets: list[int], peaks: dict[int, float], *, sr: int) -> list[int]:
    """Leave out a stick that bounces on the head: soft strokes alone soon after a louder one."""
    gaps_s = np.diff(onsets) / sr
    first_of = np.flatnonzero(np.concatenate([[True], gaps_s >= AFTER_S]))
    left = []
    for first, stop in zip(first_of, [*first_of[1:], len(onsets)], strict=True):
        group = onsets[first:stop]
        before_s = gaps_s[first - 1] if first else np.inf
        after_s = gaps_s[stop - 1] if stop < len(onsets) else np.inf
        is_alone = min(before_s, after_s) >= ALONE_S and len(group) <= 1 + MOST_BOUNCES
        falls_db = [peaks[a] - peaks[b] for a, b in itertools.pairwise(group)]
        is_bounce = is_alone and min(falls_db, default=0.0) >= BOUNCE_DB
        left += group[:1] if is_bounce else group
    return left


def _to_spans(
    onsets: list[int], smooth: np.ndarray, noise_db: float, *, n: int, sr: int, block: int
) -> tuple[StrokeSpan, ...]:
    starts = [max(0, onset - round(LEAD_S * sr)) for onset in onsets]
    limits = [*starts[1:], n]
    spans = []
    for start, onset, limit in zip(starts, onsets, limits, strict=True):
        first, last = onset // block, limit // block
        if limit < n:
            last = max(first + 1, last - SMEARED_BLOCKS)
        rung_out = _ring_out(smooth[first:last], noise_db)
        stop = limit if rung_out >= last - first - 2 else onset + block * rung_out
        spans.append(StrokeSpan(start, onset, stop))
    return tuple(span for span in spans if span.stop > span.onset)


def _ring_out(level: np.ndarray, noise_db: float) -> int:
    """Return the blocks until a stroke has rung out, or until something else swells."""
    if len(level) == 0:
        return 0
    peak_at = int(np.argmax(level[: to_blocks(PEAK_S)]))
    peak = float(level[peak_at])
    floor = max(peak + TAIL_DB, noise_db + NOISE_MARGIN_DB)
    quiet = np.flatnonzero(sliding_max(level[None, peak_at:], 0, to_blocks(HOLD_S))[0] < floor)
    stop = peak_at + int(quiet[0]) if len(quiet) else len(level)
    decay = level[peak_at:stop]
    swell = _find_swell(decay, peak + KEEP_DB)
    if swell is None:
        return stop
    before = decay[:swell]
    return peak_at + int(np.flatnonzero(before <= before.min() + NEAR_LOWEST_DB)[-1])


def _find_swell(decay: np.ndarray, below_db: float) -> int | None:
    """Return the block at which something swells in a decay that has fallen under `below_db`.

    Two tones of one drum beat: their level falls and returns to what it was. So each block is
    also compared with the block at the same distance before the minimum.
    """
    low = np.minimum.accumulate(decay)
    at = np.arange(len(decay))
    lowest_at = np.maximum.accumulate(np.where(decay <= low, at, 0))
    mirrored = decay[np.maximum(0, 2 * lowest_at - at)]
    swells = (low < below_db) & (decay > low + SWELL_DB) & (decay > mirrored + BEAT_DB)
    return int(np.argmax(swells)) if swells.any() else None

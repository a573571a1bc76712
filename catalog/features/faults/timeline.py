"""Find faults along the time axis: before the stroke, at its start, a second onset, at its end."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from catalog.features.faults.kinds import Fault, make_fault
from catalog.features.waveform import abs_peak, first_above

BLOCK_S = 0.001
QUIET_SHARE = 0.03  # of the peak, -30 dB; below it the stroke has not begun
MAIN_SHARE = 0.5  # of the peak; only the stroke itself reaches it

# Before the stroke
CLICK_DB, CLICK_DBFS = -50.0, -70.0  # under the stroke's peak, and of full scale: inaudible below
CLICK_OVER = 6.0  # times the median level before the stroke
CLICK_BLOCKS = 5  # ms after which a click has decayed
CLICK_REMAINS = 0.1  # of its peak by then; the softest damped stroke keeps more
RUMBLE_DB, RUMBLE_DBFS = -50.0, -66.0  # under the stroke's peak, and of full scale
RUMBLE_BLOCK_S = 0.020  # a period of 50 Hz
RUMBLE_BLOCKS = 5

# At its start
START_S = 45e-6  # two samples at 44.1 kHz; a step from silence within it is audible as a click
START_DB = -18.0  # of the first samples under the peak; a struck drum starts from silence

# A second onset
RISE_DB = 6.0  # over all of the 10 ms before; rattling and beating rise by less
SECOND_DB = -18.0  # under the steepest attack
SLOPE_BLOCKS = 2  # ms in one block of the slope
BEFORE_BLOCKS = 5  # slope blocks that a rise is compared with
SECOND_AFTER_BLOCKS = 14  # ms; listeners perceive two closer onsets as one
MANY_RISES = 12  # candidates from which on all peaks are computed at once
LOUDER = 1.3  # times the peak before; ignores brief high-frequency bursts
SPAN_BLOCKS = 12  # ms in which an attack reaches its peak

# At its end
TAIL_DB = -60.0
TAIL_BLOCK_S = 0.010
END_BLOCKS = 2  # the last 20 ms
FADED = 0.45  # of the level before; a straight fade gives .28, a cut tail more
SLOW_BLOCKS = 20  # ms that show most of the slope and height of a kick's period
FADED_END = 0.06  # of the height; the last half ms of a fade over 8 ms
FADED_SLOPE = 0.4  # of the steepest; the end of a fade over 8 ms at 50 Hz
BEFORE_S = 0.03  # the shortest quiet before a stroke in which the noise floor is measured
RINGS_OVER = 4.0  # times the power of that floor
FALL_SHARE = 0.35  # last part of the decay in which its slope is measured
FALL_DB = 2.5  # over that part; a noise floor falls by less than 1 dB
FLOOR_DBFS = -65.0
NOISY = 10.0  # times the power of every other channel; microphones of one take differ by gain
FLOOR_DB = -50.0  # under the loudest 10 ms


class BlockPeaks:
    """Highest absolute sample of each block of `block` samples, computed when needed."""

    def __init__(self, mono: np.ndarray, block: int) -> None:
        self._mono, self._block = mono, block
        self._n_blocks = max(1, len(mono) // block)
        self._all: np.ndarray | None = None

    def compute_all(self) -> None:
        """Compute all peaks at once, which is faster if most are needed."""
        self._all = self.between(0, self._n_blocks)

    def between(self, first: int, stop: int) -> np.ndarray:
        """Return the peaks of blocks `first` to `stop` (exclusive), as far as they exist."""
        if self._all is not None:
            return self._all[first:stop]
        n = self._block
        size = np.abs(self._mono[first * n : min(stop, self._n_blocks) * n])
        if not len(size):
            return size
        return np.asarray(np.maximum.reduceat(size, np.arange(0, len(size), n)))


@dataclass(frozen=True, eq=False)
class Timeline:
    """A stroke in blocks of a millisecond."""

    mono: np.ndarray  # shape (n,), without DC offset
    sr: int
    block: int  # frames
    block_peaks: BlockPeaks
    peak: float  # highest absolute sample
    main: int  # block where half of the peak is reached
    rise: int  # block where the level leaves the quiet before the stroke
    onsets: tuple[int, ...]  # blocks; the first is the stroke, or a softer one before it


def trace_timeline(mono: np.ndarray, *, sr: int) -> Timeline:
    """Divide a stroke without DC offset into blocks and find its onsets."""
    block = max(1, round(BLOCK_S * sr))
    peaks = BlockPeaks(mono, block)
    whole = mono[: max(1, len(mono) // block) * block]
    peak = abs_peak(whole)
    main = min(first_above(whole, MAIN_SHARE * peak), len(whole) - 1) // block
    quiet = np.flatnonzero(peaks.between(0, main) < QUIET_SHARE * peak)
    onsets = _find_onsets(mono, peaks, block=block, main=main)
    rise = min(int(quiet[-1]) if len(quiet) else 0, max(0, onsets[0] - 1))
    return Timeline(mono, sr, block, peaks, peak, main, rise, tuple(onsets))


def find_click(timeline: Timeline) -> list[Fault]:
    """Find a click before the stroke."""
    before = timeline.block_peaks.between(0, timeline.rise)
    if len(before) < 2 * CLICK_BLOCKS:
        return []
    at = int(before.argmax())
    loudest = float(before[at])
    audible = max(timeline.peak * 10 ** (CLICK_DB / 20), 10 ** (CLICK_DBFS / 20))
    is_loud = loudest >= max(audible, CLICK_OVER * float(np.median(before)))
    if not is_loud or not _is_click(timeline.block_peaks, at):  # else it is the stroke's swell
        return []
    level = 20 * math.log10(loudest / timeline.peak)
    block_s = timeline.block / timeline.sr
    return [make_fault("click", level, at_s=at * block_s, length_s=block_s)]


def find_rumble(timeline: Timeline) -> list[Fault]:
    """Find rumble before the stroke."""
    n = round(RUMBLE_BLOCK_S * timeline.sr)
    before = timeline.mono[: max(0, timeline.rise - 1) * timeline.block]
    if len(before) < RUMBLE_BLOCKS * n:
        return []
    blocks = before[len(before) % n :].reshape(-1, n)
    window = np.hanning(2 * n + 1)[: 2 * n].astype(np.float32) / n  # cancels mains tones
    slow = blocks[:-1] @ window[:n] + blocks[1:] @ window[n:]
    level = math.sqrt(2.0) * float(slow.std())
    if level < max(10 ** (RUMBLE_DBFS / 20), timeline.peak * 10 ** (RUMBLE_DB / 20)):
        return []
    value = 20 * math.log10(level / timeline.peak)
    return [make_fault("rumble", value, at_s=0.0, length_s=len(before) / timeline.sr)]


def find_cut_start(timeline: Timeline) -> list[Fault]:
    """Find a stroke that is loud from the first sample on, so that its start is missing."""
    n = max(2, round(START_S * timeline.sr))
    first = abs_peak(timeline.mono[:n])
    level = 20 * math.log10(max(first / timeline.peak, 1e-9))
    return [make_fault("start_cut", level, at_s=0.0)] if level > START_DB else []


def find_second_onset(timeline: Timeline) -> list[Fault]:
    """Find a second stroke, or the second half of a flam; see `Timeline.onsets`."""
    if len(timeline.onsets) < 2:
        return []
    first, second = timeline.onsets[:2]
    peaks = timeline.block_peaks
    levels = [abs_peak(peaks.between(at, at + SPAN_BLOCKS)) for at in (first, second)]
    level = 20 * math.log10(max(levels[1], 1e-9) / max(levels[0], 1e-9))
    return [make_fault("second", level, at_s=second * timeline.block / timeline.sr)]


def _find_onsets(mono: np.ndarray, peaks: BlockPeaks, *, block: int, main: int) -> list[int]:
    """Return the blocks where the slope rises well above all of the 10 ms before, but no clicks.

    The first is `main` unless an earlier one is found.
    """
    n = SLOPE_BLOCKS * block
    slope = mono[1:] - mono[:-1]
    n_blocks = len(slope) // n
    first = BEFORE_BLOCKS + 1  # one block lies between a rise and what it is compared with
    if n_blocks <= first:
        return [main]
    blocks = slope[: n_blocks * n].reshape(n_blocks, n)
    power = np.einsum("ij,ij->i", blocks, blocks)
    now = power[first:]
    before = np.maximum.reduce([power[back : back + len(now)] for back in range(BEFORE_BLOCKS)])
    rises = (now > 10 ** (SECOND_DB / 10) * power.max()) & (now > 10 ** (RISE_DB / 10) * before)
    candidates = (SLOPE_BLOCKS * (np.flatnonzero(rises) + first)).tolist()
    if len(candidates) > MANY_RISES:
        peaks.compute_all()
    kept = [at for at in candidates if not _is_click(peaks, at) and _is_louder(peaks, at)]
    onsets = [min([main, *kept[:1]])]
    for at in kept:
        if at - onsets[-1] >= SECOND_AFTER_BLOCKS:
            onsets.append(at)
    return onsets


def _is_louder(peaks: BlockPeaks, at: int) -> bool:
    before = peaks.between(max(0, at - SPAN_BLOCKS), at - 1)
    now = peaks.between(at, at + SPAN_BLOCKS)
    return float(now.max()) > LOUDER * float(before.max(initial=0.0))


def _is_click(peaks: BlockPeaks, at: int) -> bool:
    """Return whether next to nothing remains a few ms later, unlike after a stroke."""
    after = peaks.between(at + CLICK_BLOCKS, at + 2 * CLICK_BLOCKS)
    now = peaks.between(at, at + 3)
    return bool(len(after)) and float(after.max()) < CLICK_REMAINS * float(now.max())


def find_end_faults(timeline: Timeline) -> list[Fault]:
    """Find a tail that was cut off, or else the noise floor at the end.

    An end that still falls, or is louder than before the stroke, is part of the stroke. An end
    of constant level is the noise floor.
    """
    n = max(1, round(TAIL_BLOCK_S * timeline.sr))
    n_blocks = len(timeline.mono) // n
    if n_blocks < END_BLOCKS + 1 or is_faded(timeline.mono, timeline.block):
        return []
    power = _tail_powers(timeline.mono, n)
    end = float(power[-END_BLOCKS:].mean())
    end_db = _end_level(power)
    if end_db < TAIL_DB and end < 10 ** (FLOOR_DBFS / 10):
        return []
    at_s = (len(timeline.mono) - END_BLOCKS * n) / timeline.sr
    main = timeline.main * timeline.block // n
    if _rings_at_end(timeline, power[main:], end):
        return [make_fault("tail_cut", end_db, at_s=at_s)] if end_db > TAIL_DB else []
    floor_db = 10 * math.log10(end)
    if floor_db > FLOOR_DBFS and end_db > FLOOR_DB:
        return [make_fault("floor", floor_db, at_s=at_s, length_s=END_BLOCKS * n / timeline.sr)]
    return []


def find_noisy_channel(samples: np.ndarray, *, sr: int) -> int:
    """Return the channel, from 0, of which the end is far louder than that of the others, or -1.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)
    sr : int, Hz
    """
    end = samples[-END_BLOCKS * max(1, round(TAIL_BLOCK_S * sr)) :]
    power = end.var(axis=0)
    loudest = int(np.argmax(power))
    others = np.delete(power, loudest)
    return loudest if len(others) and power[loudest] > NOISY * others.max() else -1


def measure_abrupt_end(mono: np.ndarray, *, sr: int) -> Fault | None:
    """Return the fault of a stroke that is known to ring where it stops; None if it was faded."""
    n = max(1, round(TAIL_BLOCK_S * sr))
    if len(mono) < (END_BLOCKS + 1) * n or is_faded(mono, max(1, round(BLOCK_S * sr))):
        return None
    end_db = _end_level(_tail_powers(mono, n))
    at_s = (len(mono) - END_BLOCKS * n) / sr
    return make_fault("tail_cut", end_db, at_s=at_s) if end_db > TAIL_DB else None


def _tail_powers(mono: np.ndarray, n: int) -> np.ndarray:
    """Return the mean squares of blocks of `n` frames, the last of which ends with the signal."""
    blocks = mono[len(mono) % n :].reshape(-1, n)
    return np.asarray(np.einsum("ij,ij->i", blocks, blocks) / n)


def _end_level(power: np.ndarray) -> float:
    """Return the level of the last blocks under the loudest, in dB."""
    end = float(power[-END_BLOCKS:].mean())
    return 10 * math.log10(max(end / max(float(power.max()), 1e-20), 1e-12))


def is_faded(mono: np.ndarray, block: int) -> bool:
    """Return whether the tail was faded out.

    Level and slope of the last 2 ms are then far below those before. A low tone may cross zero
    there with its steepest slope; over a longer window, a faded one ends at zero and less steep
    than it was.
    """
    last, before = mono[-2 * block :], mono[-6 * block : -2 * block]
    if _rms(last) < FADED * _rms(before) and _rms(_slope(last)) < FADED * _rms(_slope(before)):
        return True
    period, end = mono[-SLOW_BLOCKS * block :], mono[-max(2, block // 2) :]
    if abs_peak(end) >= FADED_END * abs_peak(period):
        return False
    return abs_peak(_slope(mono[-block - 1 :])) < FADED_SLOPE * abs_peak(_slope(period))


def _slope(y: np.ndarray) -> np.ndarray:
    return np.asarray(y[1:] - y[:-1])


def _rms(y: np.ndarray) -> float:
    return math.sqrt(float(y @ y) / max(1, len(y)))


def _rings_at_end(timeline: Timeline, power: np.ndarray, end: float) -> bool:
    """Return whether the end of the file holds the stroke and not the noise floor.

    `power` is that of blocks of 10 ms from the stroke on, and `end` that of the last ones.
    """
    n_before = (timeline.rise - 2) * timeline.block
    if n_before >= BEFORE_S * timeline.sr:
        before = timeline.mono[:n_before]
        return end > RINGS_OVER * float(before @ before) / n_before
    n = max(4, round(FALL_SHARE * len(power)))
    level_db = 10 * np.log10(np.maximum(power[-n:], 1e-14))
    x = np.arange(len(level_db)) - (len(level_db) - 1) / 2
    slope = float(x @ level_db / max(float(x @ x), 1e-9))
    return len(power) < 4 or -slope * len(level_db) > FALL_DB

"""Faults in the course of a stroke: before it, at its start, a second one, and at its end."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from catalog.features.faults.kinds import Fault, make_fault
from catalog.features.waveform import abs_peak, first_above

BLOCK_S = 0.001
QUIET_SHARE = 0.03  # of the peak, -30 dB: below it the stroke has not begun
MAIN_SHARE = 0.5  # of the peak: the stroke itself, not what comes before it
CLICK_DB = -50.0  # under the stroke's peak: what is softer is not heard before it
CLICK_DBFS = -70.0
CLICK_OVER = 6.0  # times the middle level before the stroke
CLICK_BLOCKS = 5  # ms after which a click has died away
CLICK_LEFT = 0.1  # of its peak by then; the softest damped stroke leaves more
RUMBLE_DB = -50.0  # under the stroke's peak
RUMBLE_DBFS = -66.0
RUMBLE_BLOCK_S = 0.020  # a period of 50 Hz
RUMBLE_BLOCKS = 5
START_S = 45e-6  # two samples at 44.1 kHz: a jump from nothing to here is heard as a click
START_DB = -18.0  # first samples under the peak; a struck drum starts from nothing
OVER_DB = 6.0  # over all of the 10 ms before: rattling and beating rise by less
SECOND_DB = -18.0  # under the louder attack
SECOND_BACK = 5  # blocks of 2 ms
SECOND_AFTER_BLOCKS = 14  # ms; what is closer is heard as one attack
MANY_RISES = 12  # places that are looked at one by one
LOUDER = 1.3  # times the peak just before; what only sparkles is no stroke
SPAN_BLOCKS = 12  # ms in which an attack reaches its height
TAIL_DB = -60.0
TAIL_BLOCK_S = 0.010
SLOW_BLOCKS = 20  # most of a kick's slope and height show in as long
FADED_END = 0.06  # of the height: what the last half of a ms of a fade over 8 ms has left
FADED_SLOPE = 0.4  # of the steepest: a fade over 8 ms takes 50 Hz down at 0.4 of it
FADED = 0.45  # of the level before; a straight fade gives .28, what is cut goes on
END_BLOCKS = 2  # the last 20 ms
BEFORE_S = 0.03  # of quiet before the stroke that tell what the floor is
RINGS_OVER = 4.0  # times the power before the stroke
FALL_SHARE = 0.35  # of what follows the attack: where it is judged whether the level still falls
FALL_DB = 2.5  # over that part; a floor of noise falls by less than 1 dB
FLOOR_DBFS = -65.0
FLOOR_DB = -50.0  # under the loudest 10 ms: less than 50 dB above the noise


class BlockPeaks:
    """Highest absolute sample of each block, found out where it is asked for.

    Parameters
    ----------
    mono : np.ndarray, shape (n,)
    block : int, samples
    """

    def __init__(self, mono: np.ndarray, block: int) -> None:
        self._mono, self._block = mono, block
        self._n_blocks = max(1, len(mono) // block)
        self._all: np.ndarray | None = None

    def find_all(self) -> None:
        """Find all at once, where much of them will be asked for."""
        self._all = self.between(0, self._n_blocks)

    def between(self, first: int, stop: int) -> np.ndarray:
        """Peaks of blocks `first` to `stop` (exclusive), of those that there are."""
        if self._all is not None:
            return self._all[first:stop]
        n = self._block
        size = np.abs(self._mono[first * n : min(stop, self._n_blocks) * n])
        if not len(size):
            return size
        return np.asarray(np.maximum.reduceat(size, np.arange(0, len(size), n)))


@dataclass(frozen=True, eq=False)
class Timeline:
    """A stroke in blocks of a millisecond.

    Attributes
    ----------
    mono : np.ndarray, shape (n,), without its offset
    sr : int, Hz
    block : int, frames of one block
    peaks : Peaks, highest absolute sample of each block
    top : float, the highest of them
    main, rise : int, blocks: where half of the peak is reached, and where the level left the quiet
    attacks : tuple of int, blocks; the first is the stroke, or a softer one before it
    """

    mono: np.ndarray
    sr: int
    block: int
    peaks: BlockPeaks
    top: float
    main: int
    rise: int
    attacks: tuple[int, ...]


def trace_timeline(mono: np.ndarray, *, sr: int) -> Timeline:
    """Cut a stroke into blocks and find where it rises.

    Parameters
    ----------
    mono : np.ndarray, shape (n,), without its offset; not silent
    sr : int, Hz

    Returns
    -------
    Course
    """
    block = max(1, round(BLOCK_S * sr))
    peaks = BlockPeaks(mono, block)
    whole = mono[: max(1, len(mono) // block) * block]
    top = abs_peak(whole)
    main = min(first_above(whole, MAIN_SHARE * top), len(whole) - 1) // block
    quiet = np.flatnonzero(peaks.between(0, main) < QUIET_SHARE * top)
    attacks = _find_attacks(mono, peaks, block, main)
    rise = min(int(quiet[-1]) if len(quiet) else 0, max(0, attacks[0] - 1))
    return Timeline(mono, sr, block, peaks, top, main, rise, tuple(attacks))


def find_faults_before(course: Timeline) -> list[Fault]:
    """Find a click, or rumble, before the stroke."""
    return [*_find_click(course), *_find_rumble(course)]


def _find_click(course: Timeline) -> list[Fault]:
    before = course.peaks.between(0, course.rise)
    if len(before) < 2 * CLICK_BLOCKS:
        return []
    at = int(before.argmax())
    loud = float(before[at])
    least = max(course.top * 10 ** (CLICK_DB / 20), 10 ** (CLICK_DBFS / 20))
    if loud < max(least, CLICK_OVER * float(np.median(before))):
        return []
    if not _dies_at_once(course.peaks, at):
        return []  # the stroke swells up
    level = 20 * math.log10(loud / course.top)
    s = course.block / course.sr
    return [make_fault("click", level, at_s=at * s, length_s=s)]


def _find_rumble(course: Timeline) -> list[Fault]:
    n = round(RUMBLE_BLOCK_S * course.sr)
    before = course.mono[: max(0, course.rise - 1) * course.block]
    if len(before) < RUMBLE_BLOCKS * n:
        return []
    blocks = before[len(before) % n :].reshape(-1, n)
    bell = np.hanning(2 * n + 1)[: 2 * n].astype(np.float32) / n  # mains tones cancel under it
    slow = blocks[:-1] @ bell[:n] + blocks[1:] @ bell[n:]
    level = math.sqrt(2.0) * float(slow.std())
    if level < max(10 ** (RUMBLE_DBFS / 20), course.top * 10 ** (RUMBLE_DB / 20)):
        return []
    value = 20 * math.log10(level / course.top)
    return [make_fault("rumble", value, at_s=0.0, length_s=len(before) / course.sr)]


def find_cut_start(course: Timeline) -> list[Fault]:
    """Find a stroke that is there from the first sample on, as if it had begun earlier."""
    n = max(2, round(START_S * course.sr))
    first = abs_peak(course.mono[:n])
    level = 20 * math.log10(max(first / course.top, 1e-9))
    return [make_fault("start_cut", level, at_s=0.0)] if level > START_DB else []


def find_second_onset(course: Timeline) -> list[Fault]:
    """Find a second attack, heard apart from the first; see `Course.attacks`."""
    if len(course.attacks) < 2:
        return []
    first, second = course.attacks[:2]
    near = [abs_peak(course.peaks.between(at, at + SPAN_BLOCKS)) for at in (first, second)]
    level = 20 * math.log10(max(near[1], 1e-9) / max(near[0], 1e-9))
    return [make_fault("second", level, at_s=second * course.block / course.sr)]


def _find_attacks(mono: np.ndarray, peaks: BlockPeaks, block: int, main: int) -> list[int]:
    """Blocks where the high end rises well above all of the 10 ms before; clicks left out.

    The stroke itself is the first of them unless an earlier one is found.
    """
    n = 2 * block
    slope = mono[1:] - mono[:-1]
    n_blocks = len(slope) // n
    if n_blocks <= SECOND_BACK + 1:
        return [main]
    blocks = slope[: n_blocks * n].reshape(n_blocks, n)
    power = np.einsum("ij,ij->i", blocks, blocks)
    now = power[SECOND_BACK + 1 :]  # what is before it ends one block before
    before = np.maximum.reduce([power[back : back + len(now)] for back in range(SECOND_BACK)])
    rises = (now > 10 ** (SECOND_DB / 10) * power.max()) & (now > 10 ** (OVER_DB / 10) * before)
    found = (2 * (np.flatnonzero(rises) + SECOND_BACK + 1)).tolist()
    if len(found) > MANY_RISES:
        peaks.find_all()
    kept = [at for at in found if not _dies_at_once(peaks, at) and _is_louder(peaks, at)]
    attacks = [min([main, *kept[:1]])]
    for at in kept:
        if at - attacks[-1] >= SECOND_AFTER_BLOCKS:
            attacks.append(at)
    return attacks


def _is_louder(peaks: BlockPeaks, at: int) -> bool:
    before = peaks.between(max(0, at - SPAN_BLOCKS), at - 1)
    now = peaks.between(at, at + SPAN_BLOCKS)
    return float(now.max()) > LOUDER * float(before.max(initial=0.0))


def _dies_at_once(peaks: BlockPeaks, at: int) -> bool:
    """Tell a click from a stroke: a few ms later there is nothing left of it."""
    after = peaks.between(at + CLICK_BLOCKS, at + 2 * CLICK_BLOCKS)
    now = peaks.between(at, at + 3)
    return bool(len(after)) and float(after.max()) < CLICK_LEFT * float(now.max())


def find_end(course: Timeline) -> list[Fault]:
    """Find a tail that ends too early, or noise that it ends in: whichever it is.

    What still falls at the end, or is louder than before the stroke, belongs to the stroke; what
    stays is the floor.
    """
    n = max(1, round(TAIL_BLOCK_S * course.sr))
    n_blocks = len(course.mono) // n
    if n_blocks < END_BLOCKS + 1 or _is_faded(course.mono, course.block):
        return []
    blocks = course.mono[len(course.mono) - n_blocks * n :].reshape(n_blocks, n)
    power = np.einsum("ij,ij->i", blocks, blocks) / n
    end = float(power[-END_BLOCKS:].mean())
    # a file of a few blocks has no louder one than half of its peak level
    end_db = 10 * math.log10(max(end / max(float(power.max()), 1e-20), 1e-12))
    if end_db < TAIL_DB and end < 10 ** (FLOOR_DBFS / 10):
        return []
    at_s = (len(course.mono) - END_BLOCKS * n) / course.sr
    main = course.main * course.block // n
    if _rings(course, power[main:], end):
        return [make_fault("tail_cut", end_db, at_s=at_s)] if end_db > TAIL_DB else []
    floor_db = 10 * math.log10(end)
    if floor_db > FLOOR_DBFS and end_db > FLOOR_DB:
        return [make_fault("floor", floor_db, at_s=at_s, length_s=END_BLOCKS * n / course.sr)]
    return []


def _is_faded(mono: np.ndarray, block: int) -> bool:
    """Tell a tail that was faded out: level and slope of the last 2 ms are far below those before.

    A low tone that crosses zero there has its steepest slope. What is slower than a fade holds its
    slope to the end and is told by a longer look: it ends at zero, and not as steep as it was.
    """
    last, before = mono[-2 * block :], mono[-6 * block : -2 * block]
    if _rms(last) < FADED * _rms(before) and _rms(_steps(last)) < FADED * _rms(_steps(before)):
        return True
    period, end = mono[-SLOW_BLOCKS * block :], mono[-max(2, block // 2) :]
    if abs_peak(end) >= FADED_END * abs_peak(period):
        return False
    return abs_peak(_steps(mono[-block - 1 :])) < FADED_SLOPE * abs_peak(_steps(period))


def _steps(y: np.ndarray) -> np.ndarray:
    return np.asarray(y[1:] - y[:-1])


def _rms(y: np.ndarray) -> float:
    return math.sqrt(float(y @ y) / max(1, len(y)))


def _rings(course: Timeline, power: np.ndarray, end: float) -> bool:
    """Tell whether what sounds at the end is the stroke and not the floor."""
    n_before = (course.rise - 2) * course.block
    if n_before >= BEFORE_S * course.sr:
        before = course.mono[:n_before]
        return end > RINGS_OVER * float(before @ before) / n_before
    n = max(4, round(FALL_SHARE * len(power)))
    level_db = 10 * np.log10(np.maximum(power[-n:], 1e-14))
    x = np.arange(len(level_db)) - (len(level_db) - 1) / 2
    slope = float(x @ level_db / max(float(x @ x), 1e-9))
    return len(power) < 4 or -slope * len(level_db) > FALL_DB

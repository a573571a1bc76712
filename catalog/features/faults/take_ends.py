"""Decide which strokes of a take have a tail that was cut, from what follows each segment.

A segment that ends where the next stroke or the noise of the take begins is complete.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from catalog.features.faults.kinds import Fault
from catalog.features.faults.timeline import measure_abrupt_end
from catalog.features.waveform import OFFSET_STRIDE, median

AHEAD_S = 0.3  # after a segment; what is examined of the gap before the next stroke
NEAR_S = 0.020  # the segment ends at the next stroke, or with the file, if it is this close
BLOCK_S = 0.020  # a period of 50 Hz
EARLY_DB = -40.0  # under the loudest 10 ms; no segment ends there by itself
OVER_NOISE = 4.0  # times the power of the noise, 6 dB; room noise varies by less
EDGE_SEARCH_S = 0.080  # before and after the end of a segment; its levels are smoothed
EDGE_S = 0.002  # before an edge
EDGE_OVER_NOISE = 64.0  # times the power of the noise, 18 dB; a decay reaches the noise gradually
NOISE_PEAK = 20.0  # times the power of the noise; one sample of noise in 100,000 exceeds it
SHORT_S = 0.005  # the end of a fade
FADE_S = 0.010  # before an edge; compared with twice as long before that
SWELL = 8.0  # times the lowest power of 20 ms since the peak, 9 dB; a ring does not return so far
FADE_SHARE = 0.32  # of the power, -5 dB; a straight fade over 15 to 50 ms gives .08 to .17


@dataclass(frozen=True)
class SegmentEnd:
    """The end of one segment of a take, and what follows it.

    Attributes
    ----------
    cut : Fault or None, the tail as it is without what follows
    end_power : float, mean square of the last 20 ms or of the last 5, the lower
    quietest : float, lowest mean square of 20 ms of the gap after it; infinite without a gap
    edge : Fault or None, the tail if it stops abruptly near the end of the segment
    """

    cut: Fault | None
    end_power: float
    quietest: float
    edge: Fault | None

    @property
    def is_settled(self) -> bool:
        """Whether the noise of the take follows, and not another stroke or the end of the file."""
        return self.end_power < OVER_NOISE * self.quietest < np.inf


NO_END = SegmentEnd(None, 0.0, float("inf"), None)  # of a segment whose end is not measured


def trace_end(
    mono: np.ndarray, *, sr: int, n_segment: int, n_gap: int, faults: Sequence[Fault]
) -> SegmentEnd:
    """Measure the end of a segment.

    Parameters
    ----------
    mono : np.ndarray, shape (n,), the segment and up to `AHEAD_S` of what follows it
    sr : int, Hz
    n_segment : int, frames of the segment
    n_gap : int, frames from its end to the next segment or to the end of the file
    faults : sequence of Fault, of the segment alone
    """
    level = mono - median(mono[::OFFSET_STRIDE])
    n = max(1, round(BLOCK_S * sr))
    gap = level[n_segment : n_segment + n_gap]
    powers = np.square(gap[: len(gap) // n * n]).reshape(-1, n).mean(axis=1)
    cut = next((fault for fault in faults if fault.kind == "tail_cut"), None)
    last = [level[max(0, n_segment - m) : n_segment] for m in (n, max(1, round(SHORT_S * sr)))]
    end_power = min(float(np.mean(np.square(part))) for part in last)  # a fade ends in the second
    stop = min(len(level), n_segment + n_gap)
    return SegmentEnd(
        cut,
        end_power,
        float(powers.min(initial=np.inf)),
        _find_edge(level[:stop], n_segment, sr=sr),
    )


def quietest_powers(gap: np.ndarray, *, sr: int) -> np.ndarray:
    """Return the lowest mean square of 20 ms in each channel, infinite if none is whole.

    Parameters
    ----------
    gap : np.ndarray, shape (n_frames, n_channels), between two strokes
    sr : int, Hz
    """
    n = max(1, round(BLOCK_S * sr))
    whole = len(gap) // n
    if whole == 0:
        return np.full(gap.shape[1], np.inf)
    blocks = gap[: whole * n].reshape(whole, n, gap.shape[1])
    return np.asarray(blocks.var(axis=1, dtype=np.float64).min(axis=0))


def _find_edge(level: np.ndarray, at: int, *, sr: int) -> Fault | None:
    """Return the fault of a tail that stops abruptly near frame `at`, as an edit leaves it.

    The noise follows it for at least 20 ms, and its last 2 ms are far above the noise. A voice that
    stops after the stroke has decayed is no tail.
    """
    n, last, search = (max(1, round(s * sr)) for s in (BLOCK_S, EDGE_S, EDGE_SEARCH_S))
    first = max(0, at - search)
    power = np.square(level[first : at + search], dtype=np.float64)
    if len(power) <= 2 * n:
        return None
    sums = np.concatenate([[0.0], np.cumsum(power)])
    noise = max(float((sums[n:] - sums[:-n]).min()) / n, 1e-14)
    loud = np.flatnonzero(power > NOISE_PEAK * noise)
    if not len(loud) or not last <= loud[-1] <= len(power) - n:
        return None
    stop = int(loud[-1]) + 1
    fade = round(FADE_S * sr)
    before = power[max(0, stop - 3 * fade) : max(1, stop - fade)].mean()
    is_faint = power[stop - last : stop].mean() < EDGE_OVER_NOISE * noise
    if is_faint or power[max(0, stop - fade) : stop].mean() < FADE_SHARE * before:
        return None
    ring = level[: first + stop]
    return None if _has_swelled(ring, n) else measure_abrupt_end(ring, sr=sr)


def _has_swelled(ring: np.ndarray, n: int) -> bool:
    """Return whether something else sounds at the end, such as a voice after the stroke decayed.

    The last `n` frames are compared with the quietest since the loudest.
    """
    if len(ring) < 2 * n:
        return False
    blocks = ring[len(ring) % n :].reshape(-1, n)
    power = np.square(blocks, dtype=np.float64).mean(axis=1)
    since_peak = power[int(np.argmax(power)) :]
    return bool(since_peak[-1] > SWELL * since_peak.min())


def find_cut_tails(ends: Sequence[SegmentEnd], gaps_s: Sequence[float]) -> list[Fault | None]:
    """Return the cut tail of each segment, or None where the end is explained.

    Parameters
    ----------
    ends : sequence of SegmentEnd, in order of time
    gaps_s : sequence of float, seconds from each end to the next segment or to the end of the file
    """
    settled = [end.end_power for end in ends if end.is_settled]
    noise = min(settled, default=0.0)
    cut: list[Fault | None] = []
    for i, (end, gap_s) in enumerate(zip(ends, gaps_s, strict=True)):
        is_early = end.cut is not None and end.cut.value > EARLY_DB
        if gap_s < NEAR_S:
            is_cut = i == len(ends) - 1 and end.end_power > OVER_NOISE * noise
        else:
            is_cut = is_early and end.end_power > OVER_NOISE * end.quietest
        cut.append(end.edge or (end.cut if is_cut else None))
    return cut

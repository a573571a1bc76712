"""Measure takes of any length in bounded memory: window by window, then stroke by stroke.

A window overlaps its neighbors, so that each stroke is seen with what precedes it and with its
decay. Levels that depend on the whole take (its loudest stroke) are compared afterwards.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from catalog.audio.model import Audio
from catalog.errors import ParameterError
from catalog.features.measure import Measures, measure_parts
from catalog.features.onset import SILENCE, StrokeSpan, find_stroke
from catalog.features.segmentation import segment_take
from catalog.features.waveform import abs_peak, mix_to_mono

LONG_VALUES = 16_000_000  # samples over all channels, 64 MB; a longer file is read in windows
LONG_FRAMES = 8_000_000  # or one of so many frames; at 48 kHz 2 minutes and 47 seconds
WINDOW_FRAMES, WINDOW_VALUES = 4_000_000, 24_000_000  # the most of a window with its overlaps
BEFORE_S, AFTER_S = 1.0, 7.0  # overlap of a window with its neighbors
UNDER_LOUDEST_DB = 50.0  # a stroke further below the loudest of the take is bleed or a rustle
OVER_MEDIAN_DB = 26.0  # a lone stroke in a window rises this far over the window's median level
MIN_GAP_S = 0.050  # onsets of two windows closer than this are one stroke
ReadFrames = Callable[[int, int], Audio]


@dataclass(frozen=True)
class _Stroke:
    span: StrokeSpan
    peak: float


def is_long(n_frames: int, n_channels: int) -> bool:
    """Return whether a file is measured in windows, by its header."""
    return n_frames > LONG_FRAMES or n_frames * n_channels > LONG_VALUES


def measure_long_take(
    read: ReadFrames, *, n_frames: int, n_channels: int, sr: int
) -> tuple[Audio, Measures]:
    """Measure the strokes of a long take.

    Parameters
    ----------
    read : callable, returns the frames from its first argument to its second (exclusive)
    n_frames, n_channels, sr : int, from the header of the file

    Returns
    -------
    Audio
        the format of the file, with no frames
    Measures
        of the first stroke; `others` holds those of the others

    Raises
    ------
    AudioError
        if the file cannot be decoded
    ParameterError
        if it holds no stroke
    """
    strokes: list[_Stroke] = []
    step = _window_frames(n_channels, sr=sr)
    loudest = StrokeSpan(0, 0, 0)
    loudest_peak = 0.0
    audio = read(0, 1)
    for core in range(0, n_frames, step):
        first = max(0, core - round(BEFORE_S * sr))
        core_stop = min(n_frames, core + step)
        audio = read(first, min(n_frames, core_stop + round(AFTER_S * sr)))
        mono = mix_to_mono(audio.samples)
        peak = abs_peak(mono[core - first : core_stop - first])
        if peak < SILENCE:
            continue
        found = _find_strokes(mono, first, range(core, core_stop), sr=sr)
        strokes += found
        if peak > loudest_peak:
            loudest_peak = peak
            loudest = _shift(find_stroke(mono, sr=sr), first)
    spans = _select(strokes, loudest_peak, sr=sr)
    if not spans:
        if loudest_peak == 0.0:
            raise ParameterError("holds no stroke: silence")
        spans = [loudest]
    segments = [(span.start, span.stop) for span in spans]
    return replace(audio, samples=audio.samples[:0]), measure_parts(read, segments, sr=sr)


def _window_frames(n_channels: int, *, sr: int) -> int:
    """Return the frames of a window without its overlaps."""
    overlap = round((BEFORE_S + AFTER_S) * sr)
    return max(sr, min(WINDOW_VALUES // n_channels, WINDOW_FRAMES) - overlap)


def _find_strokes(mono: np.ndarray, first: int, core: range, *, sr: int) -> list[_Stroke]:
    """Return the strokes whose onset is in the core of a window; `first` is its first frame."""
    spans = segment_take(mono, sr=sr) or _lone_stroke(mono, sr=sr)
    return [
        _Stroke(_shift(span, first), abs_peak(mono[span.start : span.stop]))
        for span in spans
        if first + span.onset in core
    ]


def _lone_stroke(mono: np.ndarray, *, sr: int) -> tuple[StrokeSpan, ...]:
    median = float(np.median(np.abs(mono[::16])))
    if abs_peak(mono) < median * 10 ** (OVER_MEDIAN_DB / 20):
        return ()
    return (find_stroke(mono, sr=sr),)


def _select(strokes: list[_Stroke], loudest_peak: float, *, sr: int) -> list[StrokeSpan]:
    """Leave out what is far softer than the take's loudest sample, and what was found twice."""
    lowest = loudest_peak * 10 ** (-UNDER_LOUDEST_DB / 20)
    kept: list[StrokeSpan] = []
    for stroke in sorted(strokes, key=lambda s: s.span.onset):
        span = stroke.span
        if stroke.peak < lowest or (kept and span.onset - kept[-1].onset < MIN_GAP_S * sr):
            continue
        if kept and kept[-1].stop > span.start:
            kept[-1] = replace(kept[-1], stop=max(kept[-1].onset + 1, span.start))
        kept.append(replace(span, start=max(span.start, kept[-1].stop)) if kept else span)
    return kept


def _shift(span: StrokeSpan, frames: int) -> StrokeSpan:
    return StrokeSpan(span.start + frames, span.onset + frames, span.stop + frames)

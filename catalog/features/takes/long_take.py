"""Measure takes of any length in bounded memory: window by window, then stroke by stroke.

A window overlaps its neighbors, so that each stroke is seen with what precedes it and with its
decay. Levels that depend on the whole take (its loudest stroke) are compared afterwards. Windows
and strokes can be handed to several processes.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from catalog.audio.microphone_channels import ChannelGroup
from catalog.audio.model import Audio
from catalog.errors import ParameterError
from catalog.features.events import merge_events
from catalog.features.measure import measure_parts
from catalog.features.measures import Measures, Outline, Run
from catalog.features.onset import LEAD_S, SILENCE, StrokeSpan, find_stroke
from catalog.features.segmentation import segment_take
from catalog.features.takes.microphones import share_cut
from catalog.features.waveform import MONO_MIN_SHARE, abs_peak

LONG_VALUES = 16_000_000  # samples over all channels, 64 MB; a longer file is read in windows
LONG_FRAMES = 8_000_000  # or one of so many frames; at 48 kHz 2 minutes and 47 seconds
WINDOW_FRAMES = 4_000_000  # the most of a window with its overlaps
BLOCK_VALUES = 4_000_000  # samples over all channels that are decoded at once, 16 MB
STROKE_VALUES = 24_000_000  # the most that is measured of a stroke, 96 MB; 3.9 s of 64 channels
SECTION_FRAMES = 1024  # per row of the outline of a long file
BEFORE_S, AFTER_S = 1.0, 7.0  # overlap of a window with its neighbors
UNDER_LOUDEST_DB = 50.0  # a stroke further below the loudest of the take is bleed or a rustle
OVER_MEDIAN_DB = 26.0  # a lone stroke in a window rises this far over the window's median level
MOST_MICROPHONES = 8  # cut together, 16 MB of a window each; more are cut by their mean
MIN_GAP_S = 0.050  # onsets of two windows closer than this are one stroke
ReadFrames = Callable[[int, int], Audio]


@dataclass(frozen=True)
class _Window:
    """Frames of a window; the strokes of its core are its own. `stop`s are exclusive."""

    start: int
    core_start: int
    core_stop: int
    stop: int


@dataclass(frozen=True)
class _Stroke:
    span: StrokeSpan
    peak: float


@dataclass(frozen=True, eq=False)
class _Found:
    strokes: list[_Stroke]
    peak: float  # of the core
    outline: np.ndarray  # float32 (n_sections, 2), of the core


def is_long(n_frames: int, n_channels: int) -> bool:
    """Return whether a file is measured in windows, by its header."""
    return n_frames > LONG_FRAMES or n_frames * n_channels > LONG_VALUES


def measure_long_take(
    read: ReadFrames,
    *,
    n_frames: int,
    n_channels: int,
    sr: int,
    run: Run = map,
    groups: Sequence[ChannelGroup] = (),
) -> Measures:
    """Measure the strokes of a long take.

    Parameters
    ----------
    read : callable, returns the frames from its first argument to its second (exclusive)
    n_frames, n_channels, sr : int, of what `read` returns
    run : callable, calls a function with each item of a sequence, perhaps in other processes
    groups : sequence of ChannelGroup, the microphones of the file if it has several

    Returns
    -------
    Measures
        of the first stroke; `others` holds those of the others, and `outline` the waveform outline
        of the take in sections of `SECTION_FRAMES`

    Raises
    ------
    AudioError
        if the file cannot be decoded
    ParameterError
        if it holds no stroke
    """
    windows = _list_windows(n_frames, sr=sr)
    search = partial(_search_window, read, n_channels, sr)
    if 0 < len(groups) <= MOST_MICROPHONES:
        search = partial(_search_microphones, read, groups, sr)
    found = list(run(search, windows))
    peaks = [part.peak for part in found]
    if max(peaks) < SILENCE:
        raise ParameterError("holds no stroke: silence")
    spans = _select([s for part in found for s in part.strokes], max(peaks), sr=sr)
    if not spans:
        window = windows[int(np.argmax(peaks))]
        mono = _read_window(read, window, n_channels)[0]
        spans = [_shift(find_stroke(mono, sr=sr), window.start)]
    measures = measure_long_parts(
        read,
        [(s.start, s.stop) for s in spans],
        n_channels=n_channels,
        sr=sr,
        n_frames=n_frames,
        run=run,
        groups=groups,
    )
    levels = np.concatenate([part.outline for part in found])
    return replace(measures, outline=Outline(n_frames, SECTION_FRAMES, levels))


def measure_long_parts(
    read: ReadFrames,
    segments: Sequence[tuple[int, int]],
    *,
    n_channels: int,
    sr: int,
    n_frames: int,
    run: Run = map,
    groups: Sequence[ChannelGroup] = (),
) -> Measures:
    """Measure given segments; of one with many values only the first `STROKE_VALUES`."""
    most_frames = STROKE_VALUES // n_channels
    limited = partial(_read_limited, read, most_frames)
    return measure_parts(limited, segments, sr=sr, n_frames=n_frames, run=run, groups=groups)


def _read_limited(read: ReadFrames, most_frames: int, start: int, stop: int) -> Audio:
    return read(start, min(stop, start + most_frames))


def _list_windows(n_frames: int, *, sr: int) -> list[_Window]:
    before, after = round(BEFORE_S * sr), round(AFTER_S * sr)
    step = max(sr, WINDOW_FRAMES - before - after) // SECTION_FRAMES * SECTION_FRAMES
    windows = []
    for start in range(0, n_frames, step):
        stop = min(n_frames, start + step)
        windows.append(_Window(max(0, start - before), start, stop, min(n_frames, stop + after)))
    return windows


def _search_window(read: ReadFrames, n_channels: int, sr: int, window: _Window) -> _Found:
    """Return the strokes whose onset is in the core of a window, and the outline of the core."""
    mono, outline = _read_window(read, window, n_channels)
    first, core = window.start, range(window.core_start, window.core_stop)
    peak = abs_peak(mono[core.start - first : core.stop - first])
    if peak < SILENCE:
        return _Found([], peak, outline)
    spans = segment_take(mono, sr=sr) or _lone_stroke(mono, sr=sr)
    spans = merge_events(mono, spans, sr=sr)
    strokes = [
        _Stroke(_shift(span, first), abs_peak(mono[span.start : span.stop]))
        for span in spans
        if first + span.onset in core
    ]
    return _Found(strokes, peak, outline)


def _search_microphones(
    read: ReadFrames, groups: Sequence[ChannelGroup], sr: int, window: _Window
) -> _Found:
    """Do the same for several microphones, each searched by itself; see `share_cut`."""
    monos, outline = _read_microphones(read, window, groups)
    first, core = window.start, range(window.core_start, window.core_stop)
    peak = max(abs_peak(mono[core.start - first : core.stop - first]) for mono in monos)
    if peak < SILENCE:
        return _Found([], peak, outline)
    found = [segment_take(mono, sr=sr) or _lone_stroke(mono, sr=sr) for mono in monos]
    spans = [[(span.start, span.stop) for span in each] for each in found]
    peaks = [
        [abs_peak(mono[a:b]) for a, b in each] for mono, each in zip(monos, spans, strict=True)
    ]
    lead = round(LEAD_S * sr)
    shared = [StrokeSpan(a, a + lead, b) for a, b in share_cut(spans, peaks, sr=sr)]
    loudest = monos[int(np.argmax([abs_peak(mono) for mono in monos]))]
    strokes = [
        _Stroke(_shift(s, first), max(abs_peak(mono[s.start : s.stop]) for mono in monos))
        for s in merge_events(loudest, shared, sr=sr)
        if first + s.onset in core
    ]
    return _Found(strokes, peak, outline)


def _read_microphones(
    read: ReadFrames, window: _Window, groups: Sequence[ChannelGroup]
) -> tuple[list[np.ndarray], np.ndarray]:
    """Return the window at each microphone in mono, and the outline of its core."""
    monos = [np.empty(window.stop - window.start, np.float32) for _ in groups]
    outlines = []
    for start, stop in _blocks(window, max(max(group.channels) for group in groups)):
        block = read(start, stop).samples
        for mono, group in zip(monos, groups, strict=True):
            part = mono[start - window.start : stop - window.start]
            first, *others = group.channels
            part[:] = group.pick(block).mean(axis=1) if others else block[:, first - 1]
        if window.core_start <= start < window.core_stop:
            outlines.append(_outline(block))
    return monos, np.concatenate(outlines)


def _read_window(
    read: ReadFrames, window: _Window, n_channels: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return the window in mono as `mix_to_mono` does, and the outline of its core.

    Only a block of the window is in memory with all channels.
    """
    mono = np.empty(window.stop - window.start, np.float32)
    weights = np.full(n_channels, 1.0 / n_channels, np.float32)
    energy, peak, outlines = np.zeros(n_channels), 0.0, []
    for start, stop in _blocks(window, n_channels):
        block = read(start, stop).samples
        mono[start - window.start : stop - window.start] = block @ weights
        energy += np.einsum("ij,ij->j", block, block)
        peak = max(peak, abs_peak(block))
        if window.core_start <= start < window.core_stop:
            outlines.append(_outline(block))
    if abs_peak(mono) < MONO_MIN_SHARE * peak:  # the channels cancel
        strongest = int(np.argmax(energy))
        for start, stop in _blocks(window, n_channels):
            mono[start - window.start : stop - window.start] = read(start, stop).samples[
                :, strongest
            ]
    return mono, np.concatenate(outlines)


def _blocks(window: _Window, n_channels: int) -> Iterator[tuple[int, int]]:
    """Divide a window into blocks; none crosses a border of the core, or a section within it."""
    step = max(1, BLOCK_VALUES // n_channels // SECTION_FRAMES) * SECTION_FRAMES
    edges = (window.start, window.core_start, window.core_stop, window.stop)
    for first, last in itertools.pairwise(edges):
        for start in range(first, last, step):
            yield start, min(last, start + step)


def _outline(block: np.ndarray) -> np.ndarray:
    """Return the lowest and highest sample of each section, shape (n_sections, 2)."""
    whole = len(block) // SECTION_FRAMES
    sections = block[: whole * SECTION_FRAMES].reshape(whole, SECTION_FRAMES * block.shape[1])
    rows = np.stack([sections.min(axis=1), sections.max(axis=1)], axis=1)
    rest = block[whole * SECTION_FRAMES :]
    return np.concatenate([rows, [[rest.min(), rest.max()]]]) if len(rest) else rows


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

"""Measure the strokes of a file with several microphones: one cut for all, each measured."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np

from catalog.audio.arrival import Arrival
from catalog.audio.microphone_channels import ChannelGroup
from catalog.audio.model import Audio
from catalog.errors import ParameterError
from catalog.features.faults.take_ends import AHEAD_S, SegmentEnd, trace_end
from catalog.features.faults.take_microphones import find_far_below, find_opposite
from catalog.features.measures import Measures, Run
from catalog.features.onset import find_stroke
from catalog.features.segmentation import segment_take
from catalog.features.takes.microphone_faults import add_take_faults, to_file
from catalog.features.takes.pooling import pool_arrivals
from catalog.features.waveform import abs_peak, mix_to_mono
from catalog.models import Event

Segments = Sequence[tuple[int, int]]
MeasureStrokes = Callable[[Sequence[Sequence[Audio]]], list[list[Measures | ParameterError]]]
ReadFrames = Callable[[int, int], Audio]
BEGINNING_S = 0.2  # of a stroke, where its arrival is measured
BEFORE_S = 0.010  # read before a stroke, so that its rise is whole at each microphone
SAME_STROKE_S = 0.040  # 13.7 m of air: starts within it are one stroke at several microphones
TOGETHER, TOGETHER_VALUES = 4, 4_000_000  # strokes measured together, and samples over channels
HEARD_DB = -40.0  # below its loudest stroke; softer ones need a second microphone


def cut_microphones(audio: Audio, groups: Sequence[ChannelGroup]) -> list[tuple[int, int]]:
    """Return start and stop of each stroke of a file, the same for all its microphones.

    Parameters
    ----------
    audio : Audio
    groups : sequence of ChannelGroup, the microphones

    Returns
    -------
    list of (int, int), frames, `stop` exclusive; one if the file is a finished hit

    Raises
    ------
    ParameterError
        if no microphone holds a stroke
    """
    monos = [mix_to_mono(group.pick(audio.samples)) for group in groups]
    found = [segment_take(mono, sr=audio.sr) for mono in monos]
    spans = [[(span.start, span.stop) for span in each] for each in found]
    peaks = [
        [float(np.abs(mono[a:b]).max(initial=0.0)) for a, b in each]
        for mono, each in zip(monos, spans, strict=True)
    ]
    shared = share_cut(spans, peaks, sr=audio.sr)
    return shared if len(shared) > 1 else [_whole_stroke(monos, sr=audio.sr)]


def share_cut(
    spans: Sequence[Segments], peaks: Sequence[Sequence[float]], *, sr: int
) -> list[tuple[int, int]]:
    """Return one cut from those of several microphones, on one clock.

    A stroke that one microphone holds well above its softest is a stroke of the take.

    Parameters
    ----------
    spans : sequence of sequences of (start, stop), of each microphone, frames
    peaks : sequence of sequences of float, of each of these strokes, full scale 1.0
    sr : int, Hz
    """
    strokes: list[tuple[int, int, bool]] = []
    for each, levels in zip(spans, peaks, strict=True):
        loudest = max(levels, default=0.0)
        for (start, stop), level in zip(each, levels, strict=True):
            strokes.append((start, stop, level >= loudest * 10 ** (HEARD_DB / 20)))
    clusters: list[list[tuple[int, int, bool]]] = []
    for stroke in sorted(strokes):
        if clusters and stroke[0] - clusters[-1][0][0] < SAME_STROKE_S * sr:
            clusters[-1].append(stroke)
        else:
            clusters.append([stroke])
    kept = [c for c in clusters if len(c) > 1 or c[0][2]]
    starts = [cluster[0][0] for cluster in kept]
    limits = [*starts[1:], max((stop for _, stop, _ in strokes), default=0)][: len(starts)]
    stops = [max(stop for _, stop, _ in cluster) for cluster in kept]
    return [(a, min(b, limit)) for a, b, limit in zip(starts, stops, limits, strict=True)]


def _whole_stroke(monos: Sequence[np.ndarray], *, sr: int) -> tuple[int, int]:
    """Return the stroke of a finished hit, from its earliest start to its latest end."""
    spans, fault = [], ParameterError("holds no stroke")
    for mono in monos:
        try:
            spans.append(find_stroke(mono, sr=sr))
        except ParameterError as err:
            fault = err
    if not spans:
        raise fault
    return min(span.start for span in spans), max(span.stop for span in spans)


def measure_microphones(
    read: ReadFrames,
    groups: Sequence[ChannelGroup],
    segments: Segments,
    measure: MeasureStrokes,
    *,
    sr: int,
    n_frames: int,
    run: Run = map,
) -> list[Measures]:
    """Measure each stroke at each microphone; microphones without sound at a stroke are left out.

    The loudest stroke of each microphone carries its faults in the whole take: its level, a level
    far below that of the others, opposite polarity.

    Parameters
    ----------
    read : callable, returns the frames from its first argument to its second (exclusive)
    segments : sequence of (start, stop), frames, the same for all microphones
    measure : callable, see `catalog.features.measure.measure_strokes`
    sr : int, Hz
    n_frames : int, length of the take
    run : callable, see `catalog.features.measures.Run`

    Returns
    -------
    list of Measures, ordered by stroke, then by channel

    Raises
    ------
    ParameterError
        if no microphone holds a stroke
    """
    following = [*(start for start, _ in segments[1:]), n_frames]
    spans = [(a, b, max(0, n - b)) for (a, b), n in zip(segments, following, strict=True)]
    most = max(1, TOGETHER_VALUES // sum(len(group.channels) for group in groups))
    batches = _batch_spans(spans, most_frames=most)
    found = run(partial(_measure_strokes, read, groups, measure, sr), batches)
    strokes = [stroke for batch in found for stroke in batch]
    rows = [row for stroke in strokes for row in stroke.rows]
    if not rows:
        raise ParameterError(next((s.error for s in strokes if s.error), "holds no stroke"))
    ends = [end for stroke in strokes for end in stroke.ends]
    peaks = [peak for stroke in strokes for peak in stroke.peaks]
    arrivals = pool_arrivals([stroke.beginning for stroke in strokes], sr=sr)
    of_groups = [
        [i for i, row in enumerate(rows) if row.channels == group.channels] for group in groups
    ]
    loudest = [max((peaks[i] for i in of_group), default=0.0) for of_group in of_groups]
    faults = zip(find_far_below(loudest), find_opposite(arrivals), strict=True)
    for of_group, of_take in zip(of_groups, faults, strict=True):
        add_take_faults(rows, of_group, of_take, ends=ends, peaks=peaks, sr=sr)
    return _with_arrivals(_with_events(rows), groups, segments, arrivals)


def _with_events(rows: Sequence[Measures]) -> list[Measures]:
    """Give all microphones of a stroke the event that most of them hold, else a stroke."""
    events: dict[int, list[Event]] = {}
    for row in rows:
        events.setdefault(row.start, []).append(row.event)
    shared = {}
    for start, found in events.items():
        most = max(set(found), key=found.count)
        shared[start] = most if 2 * found.count(most) > len(found) else Event.STROKE
    return [replace(row, event=shared[row.start]) for row in rows]


class _Stroke(NamedTuple):
    """One stroke at each microphone at which it sounds; `ends` holds also the gaps in s."""

    rows: list[Measures]
    ends: list[tuple[SegmentEnd, float]]
    peaks: list[float]
    beginning: np.ndarray
    error: str  # of the last microphone that holds no stroke


def _batch_spans(
    spans: Sequence[tuple[int, int, int]], *, most_frames: int
) -> list[list[tuple[int, int, int]]]:
    """Divide strokes into batches that are measured together."""
    batches: list[list[tuple[int, int, int]]] = []
    n_frames = 0
    for span in spans:
        length = span[1] - span[0]
        is_full = not batches or len(batches[-1]) == TOGETHER
        if is_full or n_frames + length > most_frames:
            batches.append([])
            n_frames = 0
        batches[-1].append(span)
        n_frames += length
    return batches


class _Read(NamedTuple):
    """One stroke as it was read: from shortly before it on, alone, and with what follows."""

    beginning: Audio
    alone: Audio
    whole: Audio


def _measure_strokes(
    read: ReadFrames,
    groups: Sequence[ChannelGroup],
    measure: MeasureStrokes,
    sr: int,
    spans: Sequence[tuple[int, int, int]],
) -> list[_Stroke]:
    """Measure strokes; each span is start, stop and the frames to the next stroke."""
    parts = [_read_stroke(read, sr, span) for span in spans]
    audios = ([_pick(part.alone, group) for group in groups] for part in parts)
    if len(parts) == 1 and parts[0].alone.samples.size > TOGETHER_VALUES:  # saves its copies
        measured = [[measure([[_pick(parts[0].alone, group)]])[0][0] for group in groups]]
    else:
        measured = measure(list(audios))
    return [
        _join_stroke(part, groups, of_stroke, sr=sr, span=span)
        for part, of_stroke, span in zip(parts, measured, spans, strict=True)
    ]


def _pick(part: Audio, group: ChannelGroup) -> Audio:
    return replace(part, samples=group.pick(part.samples))


def _read_stroke(read: ReadFrames, sr: int, span: tuple[int, int, int]) -> _Read:
    start, stop, gap = span
    lead = min(start, round(BEFORE_S * sr))
    read_all = read(start - lead, stop + min(gap, round(AHEAD_S * sr)))
    whole = replace(read_all, samples=read_all.samples[lead:])
    alone = replace(whole, samples=whole.samples[: stop - start])
    beginning = replace(read_all, samples=read_all.samples[: lead + stop - start])
    return _Read(beginning, alone, whole)


def _join_stroke(
    part: _Read,
    groups: Sequence[ChannelGroup],
    measured: Sequence[Measures | ParameterError],
    *,
    sr: int,
    span: tuple[int, int, int],
) -> _Stroke:
    """Return a stroke at its microphones, with its ends, peaks and beginning."""
    start, stop, gap = span
    stroke = _Stroke([], [], [], _beginning(part.beginning, groups), "")
    for group, measures in zip(groups, measured, strict=True):
        if isinstance(measures, ParameterError):
            stroke = stroke._replace(error=str(measures))
            continue
        samples = group.pick(part.whole.samples)
        n_segment = len(part.alone.samples)
        end = trace_end(
            mix_to_mono(samples), sr=sr, n_segment=n_segment, n_gap=gap, faults=measures.faults
        )
        faults = to_file(measures.faults, group.channels, start_s=start / sr)
        measures = replace(
            measures, faults=faults, start=start, stop=stop, channels=group.channels,
            microphone=group.name,
        )  # fmt: skip
        stroke.rows.append(measures)
        stroke.ends.append((end, gap / sr))
        stroke.peaks.append(abs_peak(samples[:n_segment]))
    return stroke


def _beginning(part: Audio, groups: Sequence[ChannelGroup]) -> np.ndarray:
    """Return the beginning of a stroke at each microphone, shape (n_frames, n_microphones)."""
    samples = part.samples[: round(BEGINNING_S * part.sr)]
    return np.stack([mix_to_mono(group.pick(samples)) for group in groups], axis=1)


def _with_arrivals(
    rows: Sequence[Measures],
    groups: Sequence[ChannelGroup],
    segments: Segments,
    arrivals: Sequence[tuple[Arrival, ...]],
) -> list[Measures]:
    """Add delay and polarity to the measures of each stroke at each microphone."""
    by_place = {
        (segment[0], group.channels): arrival
        for segment, of_stroke in zip(segments, arrivals, strict=True)
        for group, arrival in zip(groups, of_stroke, strict=True)
    }
    found = []
    for row in rows:
        at = by_place[row.start, row.channels]
        known = bool(np.isfinite(at.delay_samples))
        if known:
            row = replace(
                row,
                delay_samples=at.delay_samples,
                spread_samples=at.spread_samples,
                polarity=at.polarity,
            )
        found.append(row)
    return found

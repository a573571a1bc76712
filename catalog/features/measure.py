"""Measure a hit in one pass: stroke position, descriptors, embedding, production, faults."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np

from catalog.audio.decode import is_finite
from catalog.audio.microphone_channels import ChannelGroup
from catalog.audio.model import Audio
from catalog.errors import ParameterError
from catalog.features.descriptors.measurement import measure_descriptors
from catalog.features.embedding import embed_mono
from catalog.features.events import FoundEvent, find_loop, judge_hit, merge_events
from catalog.features.faults import Fault, shift_faults
from catalog.features.faults.channels import find_take_levels
from catalog.features.faults.detect import find_faults
from catalog.features.faults.take_ends import (
    AHEAD_S,
    NO_END,
    SegmentEnd,
    find_cut_tails,
    quietest_powers,
    trace_end,
)
from catalog.features.faults.take_microphones import find_noise_of_channels
from catalog.features.measures import Measures, Run
from catalog.features.onset import StrokeSpan, find_stroke
from catalog.features.production import measure_production
from catalog.features.segmentation import segment_take
from catalog.features.takes.microphones import cut_microphones, measure_microphones
from catalog.features.waveform import abs_peak, mix_to_mono
from catalog.models import Event


def measure_take(
    audio: Audio, groups: Sequence[ChannelGroup] = (), *, cut_loops: bool = False
) -> Measures:
    """Measure a file that holds one finished hit, or a take with several strokes.

    A performance is one hit, unless `cut_loops`, and so are the bounces of a dropped stick.

    Parameters
    ----------
    audio : Audio
    groups : sequence of ChannelGroup, the microphones of the file if it has several
    cut_loops : bool, cut performances into strokes as well

    Returns
    -------
    Measures
        of the first stroke; `others` holds those of the others

    Raises
    ------
    ParameterError
        if the file holds no stroke, or samples that are NaN or infinite
    """
    mono = _mix_finite(audio)
    spans = _find_spans(audio, mono, groups)
    spans = merge_events(mono, spans, sr=audio.sr)
    loop = None if cut_loops else find_loop(mono, spans, sr=audio.sr)
    if loop is not None:
        return _measure_loop(audio, mono, loop, groups)
    if len(spans) < 2 and not groups:
        return _measure(audio, mono)
    return measure_segments(audio, [(span.start, span.stop) for span in spans], groups)


def _find_spans(
    audio: Audio, mono: np.ndarray, groups: Sequence[ChannelGroup]
) -> tuple[StrokeSpan, ...]:
    if not groups:
        return segment_take(mono, sr=audio.sr)
    return tuple(StrokeSpan(a, a, b) for a, b in cut_microphones(audio, groups))


def _measure_loop(
    audio: Audio, mono: np.ndarray, loop: FoundEvent, groups: Sequence[ChannelGroup]
) -> Measures:
    """Measure a performance as one hit."""
    stroke = find_stroke(mono, sr=audio.sr)
    if groups:
        found = measure_segments(audio, [(stroke.start, stroke.stop)], groups)
    else:
        found = _measure(audio, mono)
    facts = loop._asdict()
    return replace(found, others=tuple(replace(m, **facts) for m in found.others), **facts)


def measure_segments(
    audio: Audio, segments: Sequence[tuple[int, int]], groups: Sequence[ChannelGroup] = ()
) -> Measures:
    """Measure the strokes of a take at given positions.

    The loudest stroke of each channel carries the level fault of that channel in the take.

    Parameters
    ----------
    audio : Audio
    segments : sequence of (start, stop), frames, `stop` exclusive; at least one
    groups : sequence of ChannelGroup, the microphones of the file if it has several

    Returns
    -------
    Measures
        of the first stroke; `others` holds those of the others

    Raises
    ------
    ParameterError
        if a segment holds no stroke
    """

    def read(start: int, stop: int) -> Audio:
        return replace(audio, samples=audio.samples[start:stop])

    n_frames = len(audio.samples)
    return measure_parts(read, segments, sr=audio.sr, n_frames=n_frames, groups=groups)


def measure_parts(
    read: Callable[[int, int], Audio],
    segments: Sequence[tuple[int, int]],
    *,
    sr: int,
    n_frames: int,
    run: Run = map,
    groups: Sequence[ChannelGroup] = (),
) -> Measures:
    """Measure the strokes of a take, each read by itself; see `measure_segments`.

    `read` returns the frames from its first argument to its second (exclusive), and `n_frames` is
    the length of the take.
    """
    if groups:
        rows = measure_microphones(
            read, groups, segments, measure_strokes, sr=sr, n_frames=n_frames, run=run
        )
        return replace(rows[0], others=tuple(rows[1:]))
    following = [*(start for start, _ in segments[1:]), n_frames]
    spans = [(a, b, max(0, n - b)) for (a, b), n in zip(segments, following, strict=True)]
    parts = list(run(partial(_measure_part, read, sr), spans))
    tails = find_cut_tails([part.end for part in parts], [gap / sr for _, _, gap in spans])
    peaks = np.stack([part.peaks for part in parts])
    starts_s = [start / sr for start, _ in segments]
    levels = find_take_levels(peaks, starts_s=starts_s)
    quietest = np.stack([part.quietest for part in parts])
    has_hum = any(fault.kind == "hum" for part in parts for fault in part.measures.faults)
    if np.isfinite(quietest).any():
        parts = [part._replace(measures=_without_floor(part.measures)) for part in parts]
        if not has_hum:
            noise = find_noise_of_channels(quietest, peaks, starts_s=starts_s)
            levels = [[*a, *b] for a, b in zip(levels, noise, strict=True)]
    strokes = [
        _in_take(part.measures, tail, levels=level, sr=sr)
        for part, tail, level in zip(parts, tails, levels, strict=True)
    ]
    return replace(strokes[0], others=tuple(strokes[1:]))


class _Part(NamedTuple):
    """One stroke of a take: its measures, the peak of each channel, and how it ends.

    `quietest` is that of each channel after it, see `quietest_powers`.
    """

    measures: Measures
    peaks: np.ndarray
    end: SegmentEnd
    quietest: np.ndarray


def _measure_part(read: Callable[[int, int], Audio], sr: int, span: tuple[int, int, int]) -> _Part:
    """Measure one stroke; `span` is its start, its stop and the frames to the next stroke."""
    start, stop, gap = span
    n = stop - start
    whole = read(start, stop + min(gap, round(AHEAD_S * sr)))
    part = replace(whole, samples=whole.samples[:n])
    measures = measure_audio(part)
    end = NO_END
    if len(part.samples) == n:  # of a very long stroke only the first part is read
        mono, faults = mix_to_mono(whole.samples), measures.faults
        end = trace_end(mono, sr=sr, n_segment=n, n_gap=gap, faults=faults)
    moved = replace(measures, start=start, stop=stop)
    quietest = quietest_powers(whole.samples[n:], sr=sr)
    return _Part(moved, np.abs(part.samples).max(axis=0), end, quietest)


def _without_floor(measures: Measures) -> Measures:
    """Leave out the noise that a stroke ends in; it is a fault of the take."""
    kept = tuple(fault for fault in measures.faults if fault.kind != "floor")
    return replace(measures, faults=kept)


def _in_take(measures: Measures, tail: Fault | None, *, levels: list[Fault], sr: int) -> Measures:
    """Return a stroke with its faults as they are in the take.

    `tail` is its cut tail, and `levels` are its level faults, whose times count from the start of
    the file.
    """
    faults = [fault for fault in measures.faults if fault.kind != "tail_cut"]
    faults += [tail] if tail is not None else []
    shifted = [*shift_faults(tuple(faults), measures.start / sr), *levels]
    return replace(measures, faults=tuple(sorted(shifted, key=lambda fault: -fault.weight)))


def measure_audio(audio: Audio) -> Measures:
    """Measure a file that holds one finished hit; raises like `measure_take`."""
    return _measure(audio, _mix_finite(audio))


def _mix_finite(audio: Audio) -> np.ndarray:
    if not is_finite(audio.samples):
        raise ParameterError("holds values that are not numbers (NaN or infinity)")
    return mix_to_mono(audio.samples)


def _measure(audio: Audio, mono: np.ndarray) -> Measures:
    hit = _Hit(audio, mono, find_stroke(mono, sr=audio.sr))
    return _measure_hits([hit], [judge_hit(hit.body, sr=audio.sr)])[0]


def measure_strokes(strokes: Sequence[Sequence[Audio]]) -> list[list[Measures | ParameterError]]:
    """Measure strokes, each at several microphones; a microphone without sound gives its error.

    Parameters
    ----------
    strokes : sequence of sequences of Audio, the microphones of each stroke
    """
    found = [[_find_hit(audio) for audio in of_stroke] for of_stroke in strokes]
    sounding = [[hit for hit in of_stroke if isinstance(hit, _Hit)] for of_stroke in found]
    events = [event for hits in sounding for event in _judge_microphones(hits)]
    measured = iter(_measure_hits([hit for hits in sounding for hit in hits], events))
    return [
        [next(measured) if isinstance(hit, _Hit) else hit for hit in of_stroke]
        for of_stroke in found
    ]


class _Hit(NamedTuple):
    """One hit to be measured."""

    audio: Audio
    mono: np.ndarray
    stroke: StrokeSpan

    @property
    def body(self) -> np.ndarray:
        """The stroke in mono, shape (n,)."""
        return self.mono[self.stroke.start : self.stroke.stop]


def _find_hit(audio: Audio) -> _Hit | ParameterError:
    try:
        mono = _mix_finite(audio)
        return _Hit(audio, mono, find_stroke(mono, sr=audio.sr))
    except ParameterError as err:
        return err


def _judge_microphones(hits: Sequence[_Hit]) -> list[Event]:
    """Judge one stroke at each of its microphones at which it sounds.

    Once half of them hold a stroke, the others cannot outvote them and are not judged. The loudest
    are first, which are most often a plain stroke.
    """
    events = [Event.STROKE] * len(hits)
    n_strokes = 0
    for i in sorted(range(len(hits)), key=lambda i: -abs_peak(hits[i].body)):
        if 2 * n_strokes >= len(hits):
            break
        events[i] = judge_hit(hits[i].body, sr=hits[i].audio.sr)
        n_strokes += events[i] is Event.STROKE
    return events


def _measure_hits(hits: Sequence[_Hit], events: Sequence[Event]) -> list[Measures]:
    """Measure hits of which the events are known, each part for all hits.

    Hit by hit it takes a tenth more time, since the code and tables of one part are in the
    processor's caches for the next hit.
    """
    descriptors = [
        measure_descriptors(audio.samples, mono, sr=audio.sr, stroke=stroke)
        for audio, mono, stroke in hits
    ]
    embeddings = [embed_mono(mono, sr=audio.sr, start=stroke.start) for audio, mono, stroke in hits]
    production = [
        measure_production(audio.samples, sr=audio.sr, onset=stroke.onset)
        for audio, _, stroke in hits
    ]
    faults = [
        find_faults(audio.samples, mono, sr=audio.sr, subtype=audio.subtype)
        for audio, mono, _ in hits
    ]
    rows = zip(hits, descriptors, embeddings, production, faults, events, strict=True)
    return [
        Measures(
            hit.stroke.start, hit.stroke.stop, shown, vector, traces, faults=of_hit, event=event
        )
        for hit, shown, vector, traces, of_hit, event in rows
    ]

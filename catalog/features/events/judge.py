"""Judge what a hit or a take holds by its physical traits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from catalog.features.events.bounces import find_bounces
from catalog.features.events.bumps import is_bump, may_be_bump
from catalog.features.events.contour import Contour, trace_contour
from catalog.features.events.loops import estimate_tempo, is_performance
from catalog.features.events.sustained import (
    is_rolled_run,
    is_steady,
    is_sustained,
    judge_sustained,
)
from catalog.features.events.voices import RISE_S, is_voice, may_be_voice
from catalog.features.onset import StrokeSpan
from catalog.models import Event

MOST_S = 8.0  # of a hit; the rest of a longer one changes nothing
REGROWTH_DB = 4.0  # of a contour, before bounces are searched
RUN_GAP_S = 0.450  # between the onsets of a roll, of syllables or of bounces
BEFORE_S = 0.030  # a region may begin as long before the first bounce


class FoundEvent(NamedTuple):
    """What a hit holds.

    `tempo_bpm` (beats per minute) and `n_strokes` are those of a loop, otherwise None.
    """

    event: Event = Event.STROKE
    tempo_bpm: float | None = None
    n_strokes: int | None = None


def judge_hit(body: np.ndarray, *, sr: int) -> Event:
    """Judge what one hit holds; `body` is mono, shape (n,), and begins with the hit."""
    body = body[: round(MOST_S * sr)]
    contour = trace_contour(body, sr=sr)
    if may_be_voice(body, contour, sr=sr) and is_voice(body, contour, sr=sr):
        return Event.VOICE
    if _is_dropped(body, contour, sr=sr):
        return Event.STICK_DROP
    if may_be_bump(body, contour, sr=sr) and is_bump(body, sr=sr):
        return Event.BUMP
    if is_sustained(contour):
        return judge_sustained(body, contour, sr=sr)
    return Event.STROKE


def _is_dropped(body: np.ndarray, contour: Contour, *, sr: int) -> bool:
    """Return whether a hit is a stick that bounces, and nothing precedes it."""
    if contour.regrowth_db() < REGROWTH_DB or is_steady(contour):
        return False
    found = find_bounces(body, sr=sr)
    return bool(found) and found[0][0] < 2 * BEFORE_S * sr


def find_loop(mono: np.ndarray, spans: Sequence[StrokeSpan], *, sr: int) -> FoundEvent | None:
    """Return the performance that a take is, or None; `spans` are its strokes."""
    if not is_performance(mono, spans, sr=sr):
        return None
    return FoundEvent(Event.LOOP, round(estimate_tempo(mono, spans, sr=sr), 1), len(spans))


def merge_events(
    mono: np.ndarray, spans: Sequence[StrokeSpan], *, sr: int
) -> tuple[StrokeSpan, ...]:
    """Merge the strokes of a take that are one roll, one voice or the bounces of one stick."""
    merged: list[StrokeSpan] = []
    for run in _find_runs(spans, sr=sr):
        whole = _join(run[0], run[-1])
        is_one = len(run) > 1 and _is_one_event(mono, run, sr=sr)
        merged += [whole] if is_one else run
    joined = merged[:1]
    for span in merged[1:]:
        if _is_one_roll(mono, joined[-1], span, sr=sr):
            joined[-1] = _join(joined[-1], span)
        else:
            joined.append(span)
    return _add_first_strokes(mono, joined, sr=sr)


def _join(first: StrokeSpan, last: StrokeSpan) -> StrokeSpan:
    return StrokeSpan(first.start, first.onset, last.stop)


def _add_first_strokes(
    mono: np.ndarray, spans: Sequence[StrokeSpan], *, sr: int
) -> tuple[StrokeSpan, ...]:
    """Merge each roll with its first stroke, if that is louder and was found alone."""
    merged: list[StrokeSpan] = []
    for span in spans:
        first = merged[-1] if merged else span
        is_long = span.stop - span.start > RUN_GAP_S * sr > span.start - first.start > 0
        parts = (span, _join(first, span))
        if is_long and all(_is_rolled(mono, part, sr=sr) for part in parts):
            merged[-1] = parts[1]
        else:
            merged.append(span)
    return tuple(merged)


def _is_one_roll(mono: np.ndarray, first: StrokeSpan, second: StrokeSpan, *, sr: int) -> bool:
    """Return whether two neighbors, the first of them longer than a stroke, are one roll."""
    if second.start - first.stop > BEFORE_S * sr:
        return False
    return all(_is_rolled(mono, span, sr=sr) for span in (first, _join(first, second)))


def _is_rolled(mono: np.ndarray, span: StrokeSpan, *, sr: int) -> bool:
    body = mono[span.start : span.stop][: round(MOST_S * sr)]
    return is_rolled_run(body, trace_contour(body, sr=sr), sr=sr)


def _find_runs(spans: Sequence[StrokeSpan], *, sr: int) -> list[list[StrokeSpan]]:
    """Group strokes that follow each other closely."""
    runs: list[list[StrokeSpan]] = []
    for span in spans:
        if runs and span.onset - runs[-1][-1].onset < RUN_GAP_S * sr:
            runs[-1].append(span)
        else:
            runs.append([span])
    return runs


def _is_one_event(mono: np.ndarray, run: Sequence[StrokeSpan], *, sr: int) -> bool:
    body = mono[run[0].start : run[-1].stop][: round(MOST_S * sr)]
    contour = trace_contour(body, sr=sr)
    if _is_dropped(body, contour, sr=sr) or is_rolled_run(body, contour, sr=sr):
        return True
    is_voiced = may_be_voice(body, contour, sr=sr) and is_voice(body, contour, sr=sr)
    if not is_voiced:
        return False
    attacks = [trace_contour(mono[s.start : s.stop], sr=sr).attack_s for s in run]
    return 2 * sum(attack < RISE_S for attack in attacks) < len(run)  # not strokes of tuned drums

"""Merge strokes of a take that are one event: a roll, a voice, or the bounces of a stick."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from catalog.features.events.contour import trace_contour
from catalog.features.events.judge import MOST_S, find_drop, is_voiced
from catalog.features.events.sustained import is_rolled_run
from catalog.features.events.voices import is_clear_voice, voice_likelihood
from catalog.features.onset import StrokeSpan

RUN_GAP_S = 0.450  # between the onsets of a roll, of syllables or of bounces
BEFORE_S = 0.030  # between the regions of one roll
BOUNCE_S = 0.150  # after the last bounce of a stick
WORDS_GAP_S = 0.7  # between words of one sentence
SUDDEN_S = 0.015  # a stroke rises faster than a syllable
WORD_LIKELIHOOD = 0.05  # of the next word itself, unless it makes clear speech with the voice
CONSONANT_S, CONSONANT_GAP_S = 0.45, 0.15  # how long and how near a consonant is
LOUDER = 1.5  # peak of a word over that of the words before it; 3.5 dB


def merge_events(
    mono: np.ndarray, spans: Sequence[StrokeSpan], *, sr: int
) -> tuple[StrokeSpan, ...]:
    """Merge the strokes of a take that are one roll, one voice or the bounces of one stick."""
    runs = _find_runs(spans, sr=sr)
    limits = [*(run[0].start for run in runs), len(mono)][1:]
    merged: list[StrokeSpan] = []
    for run, limit in zip(runs, limits, strict=True):
        merged += _merge_run(mono, run, limit, sr=sr)
    joined = merged[:1]
    for span in merged[1:]:
        if _is_one_roll(mono, joined[-1], span, sr=sr):
            joined[-1] = _join(joined[-1], span)
        else:
            joined.append(span)
    words = _join_words(mono, _add_first_strokes(mono, joined, sr=sr), sr=sr)
    return _join_consonants(mono, words, sr=sr)


def _join_words(
    mono: np.ndarray, spans: Sequence[StrokeSpan], *, sr: int
) -> tuple[StrokeSpan, ...]:
    """Merge each voice with the next spans that rise as slowly as syllables do."""
    joined: list[StrokeSpan] = []
    for span in spans:
        is_near = bool(joined) and span.start - joined[-1].stop < WORDS_GAP_S * sr
        if is_near and _is_next_word(mono, joined[-1], span, sr=sr):
            joined[-1] = _join(joined[-1], span)
        else:
            joined.append(span)
    return tuple(joined)


def _join_consonants(
    mono: np.ndarray, spans: Sequence[StrokeSpan], *, sr: int
) -> tuple[StrokeSpan, ...]:
    """Merge each voice with the short and softer spans beside it: consonants may be as sudden."""
    joined: list[StrokeSpan] = []
    for span in spans:
        while joined and _are_one_voice(mono, joined[-1], span, sr=sr):
            span = _join(joined.pop(), span)
        joined.append(span)
    return tuple(joined)


def _are_one_voice(mono: np.ndarray, first: StrokeSpan, last: StrokeSpan, *, sr: int) -> bool:
    if last.start - first.stop > CONSONANT_GAP_S * sr:
        return False
    soft, loud = sorted((first, last), key=lambda s: float(np.abs(mono[s.start : s.stop]).max()))
    if soft.stop - soft.start > CONSONANT_S * sr:
        return False
    bodies = (mono[one.start : one.stop] for one in (loud, _join(first, last)))
    return all(is_voiced(body, trace_contour(body, sr=sr), sr=sr) for body in bodies)


def _is_next_word(mono: np.ndarray, voice: StrokeSpan, span: StrokeSpan, *, sr: int) -> bool:
    """Return whether a span goes on with a voice; a stroke is sudden, and often louder."""
    spoken, part = (mono[one.start : one.stop] for one in (voice, span))
    if np.abs(part).max() > LOUDER * np.abs(spoken).max():
        return False
    contour = trace_contour(part, sr=sr)
    if contour.attack_s < SUDDEN_S:
        return False
    whole = mono[voice.start : span.stop]
    if not all(is_voiced(b, trace_contour(b, sr=sr), sr=sr) for b in (spoken, whole)):
        return False
    if voice_likelihood(part, contour, sr=sr) >= WORD_LIKELIHOOD:
        return True
    return is_clear_voice(whole, trace_contour(whole, sr=sr), sr=sr)


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


def _merge_run(mono: np.ndarray, run: list[StrokeSpan], limit: int, *, sr: int) -> list[StrokeSpan]:
    """Merge strokes that follow each other closely if they are one event.

    The last bounces of a stick are no strokes; so those up to `limit` are searched as well.
    """
    if len(run) < 2:
        return run
    start = run[0].start
    body = mono[start:limit][: round(MOST_S * sr)]
    last_s = find_drop(body, trace_contour(body, sr=sr), sr=sr)
    if last_s is not None:
        stop = min(limit, start + round((last_s + BOUNCE_S) * sr))
        return [StrokeSpan(start, run[0].onset, max(run[-1].stop, stop))]
    return [_join(run[0], run[-1])] if _is_one_event(mono, run, sr=sr) else run


def _is_one_event(mono: np.ndarray, run: Sequence[StrokeSpan], *, sr: int) -> bool:
    body = mono[run[0].start : run[-1].stop][: round(MOST_S * sr)]
    contour = trace_contour(body, sr=sr)
    if is_rolled_run(body, contour, sr=sr):
        return True
    if not is_voiced(body, contour, sr=sr):
        return False
    attacks = [trace_contour(mono[s.start : s.stop], sr=sr).attack_s for s in run]
    return 2 * sum(attack < SUDDEN_S for attack in attacks) < len(run)  # not strokes of tuned drums

"""Judge what a hit or a take holds by its physical traits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from catalog.features.events.bounces import find_bounces, may_bounce
from catalog.features.events.bumps import is_bump, may_be_bump
from catalog.features.events.contour import Contour, trace_contour
from catalog.features.events.loops import estimate_tempo, is_performance
from catalog.features.events.sustained import (
    is_sustained,
    judge_sustained,
)
from catalog.features.events.voices import is_voice, may_be_voice
from catalog.features.onset import StrokeSpan
from catalog.models import Event

MOST_S = 8.0  # of a hit; the rest of a longer one changes nothing
REGROWTH_DB = 4.0  # of a contour, before bounces are searched


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
    if is_voiced(body, contour, sr=sr):
        return Event.VOICE
    if find_drop(body, contour, sr=sr) is not None:
        return Event.STICK_DROP
    if may_be_bump(body, contour, sr=sr) and is_bump(body, sr=sr):
        return Event.BUMP
    if is_sustained(contour):
        return judge_sustained(body, contour, sr=sr)
    return Event.STROKE


def find_drop(body: np.ndarray, contour: Contour, *, sr: int) -> float | None:
    """Return when the last bounce of a dropped stick is heard, in s; None if a hit is none."""
    if contour.regrowth_db() < REGROWTH_DB or not may_bounce(contour):
        return None
    bounces = find_bounces(body, sr=sr)
    return bounces[-1].at_s if bounces else None


def is_voiced(body: np.ndarray, contour: Contour, *, sr: int) -> bool:
    """Return whether a part of a take is a voice."""
    return may_be_voice(body, contour, sr=sr) and is_voice(body, contour, sr=sr)


def find_loop(mono: np.ndarray, spans: Sequence[StrokeSpan], *, sr: int) -> FoundEvent | None:
    """Return the performance that a take is, or None; `spans` are its strokes."""
    if not is_performance(mono, spans, sr=sr):
        return None
    return FoundEvent(Event.LOOP, round(estimate_tempo(mono, spans, sr=sr), 1), len(spans))

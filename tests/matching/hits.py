"""Hits that several tests of matching compare: one stroke of a drum, others, and their edits."""

from __future__ import annotations

import numpy as np

from catalog.audio.model import Audio
from catalog.matching.comparison.coherence import Coherence, measure_coherence
from catalog.matching.prepare import PreparedSignal, prepare_hit
from catalog.matching.views import BestPair, ChannelViews, compare_views, prepare_views
from catalog.training.edits import EDITS, Edit, applies
from tests.signals import SR, as_frames, drum_stroke

STROKE = drum_stroke(130, seed=5)


def as_audio(y: np.ndarray, sr: int = SR, subtype: str = "FLOAT") -> Audio:
    y = np.asarray(y, np.float32)
    return Audio(y if y.ndim == 2 else as_frames(y), sr, "WAV", subtype)


def prepared(y: np.ndarray, sr: int = SR, subtype: str = "FLOAT") -> PreparedSignal:
    return prepare_hit(as_audio(y, sr, subtype))


def views(y: np.ndarray, sr: int = SR) -> ChannelViews:
    return prepare_views(as_audio(y, sr))


def coherence(first: PreparedSignal, second: PreparedSignal) -> Coherence:
    return measure_coherence([(first, second)])[0]


def best_pair(first: ChannelViews, second: ChannelViews) -> BestPair:
    return compare_views([(first, second)])[0]


def usable_edits(audio: Audio) -> list[Edit]:
    """Edits after which a copy must be found again."""
    return [e for e in EDITS if e.kind in ("lossless", "lossy") and applies(e, audio)]

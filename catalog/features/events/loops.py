"""Recognize a performance: many strokes in a steady tempo, of several drums or without a rest."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from catalog.features.onset import StrokeSpan
from catalog.features.segmentation.grid import ON_GRID, find_unit

LEAST_STROKES = 8  # fewer may follow each other evenly by chance
MOST_GAP_S = 0.65  # median; single strokes that are recorded to a click ring for longer
DENSE_GAP_S = 0.40  # median; strokes of one drum as close as this are played, not sampled
TIMBRE_S = 0.030  # after each onset, where its brightness is measured
SEVERAL_DRUMS = 0.55  # octaves, standard deviation of the brightness of the strokes
ENVELOPE_SR, HOP = 22_050, 256  # of the onsets that are given to librosa
BEATS = (0.25, 1 / 3, 0.5, 2 / 3, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0)  # units in a beat


def is_performance(mono: np.ndarray, spans: Sequence[StrokeSpan], *, sr: int) -> bool:
    """Return whether the strokes of a take are a performance, not single strokes."""
    if len(spans) < LEAST_STROKES:
        return False
    onsets_s = np.array([span.onset for span in spans]) / sr
    gap_s = float(np.median(np.diff(onsets_s)))
    if gap_s > MOST_GAP_S or find_unit(onsets_s)[1] < ON_GRID:
        return False
    return gap_s < DENSE_GAP_S or _spread_of_timbre(mono, spans, sr=sr) > SEVERAL_DRUMS


def estimate_tempo(mono: np.ndarray, spans: Sequence[StrokeSpan], *, sr: int) -> float:
    """Return the tempo of a performance in beats per minute.

    librosa chooses the beat from the strength of the onsets; the grid of the onsets makes it exact.
    """
    from librosa.feature import tempo

    onsets_s = np.array([span.onset for span in spans]) / sr
    frames = np.round(onsets_s * ENVELOPE_SR / HOP).astype(int)
    strength = np.zeros(int(frames[-1]) + 2)
    for span, frame in zip(spans, frames, strict=True):
        strength[frame] += np.abs(mono[span.start : span.start + round(0.1 * sr)]).max()
    rough = float(tempo(onset_envelope=strength, sr=ENVELOPE_SR, hop_length=HOP)[0])
    unit_s, _ = find_unit(onsets_s)
    unit_s = _refine(onsets_s, unit_s)
    choices = [60.0 / (unit_s * beat) for beat in BEATS]
    return min(choices, key=lambda bpm: abs(np.log(bpm / rough)))


def _refine(onsets_s: np.ndarray, unit_s: float) -> float:
    """Return the unit that fits all gaps best, by least squares over the whole performance."""
    for _ in range(3):
        steps = np.cumsum(np.maximum(np.round(np.diff(onsets_s) / unit_s), 0))
        at = np.concatenate([[0.0], steps])
        unit_s = float(np.polyfit(at, onsets_s, 1)[0])
    return unit_s


def _spread_of_timbre(mono: np.ndarray, spans: Sequence[StrokeSpan], *, sr: int) -> float:
    """Return the standard deviation of the strokes' brightness in octaves."""
    n = round(TIMBRE_S * sr)
    octaves = []
    for span in spans:
        part = np.asarray(mono[span.onset : span.onset + n], np.float64)
        if len(part) < n:
            continue
        power = np.square(np.abs(np.fft.rfft(part * np.hanning(n))))
        hz = np.arange(len(power)) * sr / n
        octaves.append(float(power[1:] @ np.log2(hz[1:]) / max(power[1:].sum(), 1e-30)))
    return float(np.std(octaves)) if octaves else 0.0

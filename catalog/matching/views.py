"""Mono views of a hit, its mix and its channels, and the pair of views that agrees best."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import product
from typing import NamedTuple

import numpy as np

from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.errors import ParameterError
from catalog.features.waveform import abs_peak, first_above, mix_to_mono
from catalog.matching.comparison.coherence import SUFFICIENT_DB, Coherence, measure_coherence
from catalog.matching.fingerprint import Fingerprints, correlate_fingerprints, make_fingerprints
from catalog.matching.prepare import PreparedSignal, prepare_channel

EQUAL_CHANNELS = 1e-4  # of the energy; channels that differ by less count as one
SHORT_S = 0.02  # no time-frequency cell fits into a shorter hit
N_PROBES = 64  # samples in `SHORT_S` that are checked to detect a longer hit
MIN_SAMPLES = 4  # fewer samples carry no evidence
MAX_EXTRA_SAMPLES = 2  # of silence that one of two recordings at the same rate may have
SAME_RATE_DB = 40.0  # residual below the signal once level and constant offset are fitted
RESAMPLED_DB = 20.0  # the same at different rates: conversion removes the highest band
CLICK_SAMPLES, CLICK_RESAMPLED_DB = 64, 10.0  # a shorter click has much of its energy up there
COMMON_SR, RESAMPLE_PADDING_S = 96_000, 0.005  # padding for the ringing of the converter
CONSTANT = 1e-4  # of the peak; 16 bits at full scale resolve less than this


@dataclass(frozen=True, eq=False)
class ChannelViews:
    """A hit ready to be compared: its mono mix and, where they differ, its two channels."""

    mix: PreparedSignal
    sides: tuple[PreparedSignal, ...] = ()  # left and right; empty for mono or equal channels
    # float64, shape (n,), mono without constant ends; only for hits shorter than `SHORT_S`
    short_samples: np.ndarray | None = None
    sr: int = 0  # Hz, of `short_samples`
    _fingerprints: list[Fingerprints] = field(default_factory=list, init=False, repr=False)

    @property
    def views(self) -> tuple[PreparedSignal, ...]:
        """The mix and each side."""
        return (self.mix, *self.sides)


class BestPair(NamedTuple):
    """The views of two hits that agree best, and their coherence."""

    first: PreparedSignal
    second: PreparedSignal
    coherence: Coherence


def prepare_views(audio: Audio) -> ChannelViews:
    """Prepare the mix and the channels of a hit for comparison.

    Raise `ParameterError` if it holds no stroke.
    """
    mono = mix_to_mono(audio.samples)
    mix = prepare_channel(mono, sr=audio.sr, subtype=audio.subtype)
    return ChannelViews(mix, _prepare_sides(audio), _short_samples(mono, sr=audio.sr), audio.sr)


def _prepare_sides(audio: Audio) -> tuple[PreparedSignal, ...]:
    y = audio.samples
    if y.shape[1] != 2:
        return ()
    difference = float(np.square(y[:, 0] - y[:, 1]).sum())
    if difference < EQUAL_CHANNELS * float(np.square(y).sum()):
        return ()
    sides = []
    for channel in y.T:
        with suppress(ParameterError):  # a silent channel gives no view
            sides.append(prepare_channel(channel, sr=audio.sr, subtype=audio.subtype))
    return tuple(sides)


def _short_samples(mono: np.ndarray, *, sr: int) -> np.ndarray | None:
    """Return the samples without constant ends if they are shorter than `SHORT_S`, else None."""
    if _is_clearly_long(mono, sr=sr):
        return None
    trimmed = _without_constant_ends(mono)
    return trimmed.astype(np.float64) if len(trimmed) < SHORT_S * sr else None


def _is_clearly_long(mono: np.ndarray, *, sr: int) -> bool:
    """Test on few samples whether the trimmed hit is longer than `SHORT_S`; False means unsure."""
    step = max(1, round(SHORT_S * sr / N_PROBES))
    probes, limit = mono[::step], CONSTANT * abs_peak(mono)
    first = first_above(probes - mono[0], limit)
    last = len(probes) - 1 - first_above((probes - mono[-1])[::-1], limit)
    return (last - first) * step >= SHORT_S * sr


def _without_constant_ends(mono: np.ndarray) -> np.ndarray:
    """Trim the samples that equal the first one at the start, and the last one at the end."""
    limit = CONSTANT * abs_peak(mono)
    n_start = first_above(mono - mono[0], limit)
    n_end = first_above((mono - mono[-1])[::-1], limit)
    if len(mono) in (n_start, n_end):
        return mono[:0]
    return mono[n_start : len(mono) - n_end + 1]


def view_pairs(n_first: int, n_second: int) -> list[tuple[int, int]]:
    """List the views of two hits to compare: the mixes; a mono hit also with each side of stereo.

    A view is a number, the mix 0 and the sides 1 and 2, below the number of views of the hit.
    """
    if (n_first > 1) == (n_second > 1):
        return [(0, 0)]
    return [(0, 0), *product(range(1, n_first) or (0,), range(1, n_second) or (0,))]


def fingerprints_of(hits: Sequence[ChannelViews]) -> list[Fingerprints]:
    """Return the fingerprints of all views of each hit; they are cached in the hits."""
    missing = list({id(hit): hit for hit in hits if not hit._fingerprints}.values())
    if missing:
        fingerprints = make_fingerprints([view for hit in missing for view in hit.views])
        stops = np.cumsum([len(hit.views) for hit in missing]).tolist()
        for hit, start, stop in zip(missing, [0, *stops], stops, strict=False):
            hit._fingerprints.append(fingerprints.take(slice(start, stop)))
    return [hit._fingerprints[0] for hit in hits]


def fingerprint_similarity(pairs: Sequence[tuple[ChannelViews, ChannelViews]]) -> np.ndarray:
    """Return the highest correlation of fingerprints over the views of each pair.

    The result is float64, shape (n_pairs,), see `correlate_fingerprints`.
    """
    hits = list({id(hit): hit for pair in pairs for hit in pair}.values())
    offsets = np.cumsum([0, *(len(hit.views) for hit in hits)]).tolist()
    offset_of_hit = {id(hit): offset for hit, offset in zip(hits, offsets, strict=False)}
    rows = [
        (index, offset_of_hit[id(a)] + i, offset_of_hit[id(b)] + j)
        for index, (a, b) in enumerate(pairs)
        for i, j in view_pairs(len(a.views), len(b.views))
    ]
    pair_index, first, second = np.array(rows, int).reshape(-1, 3).T
    similarity = np.zeros(len(pairs))
    if rows:
        fingerprints = Fingerprints.join(fingerprints_of(hits))
        np.maximum.at(similarity, pair_index, correlate_fingerprints(fingerprints, first, second))
    return similarity


def compare_views(pairs: Sequence[tuple[ChannelViews, ChannelViews]]) -> list[BestPair]:
    """Measure the coherence of the mixes, and of mono with each side of stereo; keep the best."""
    best = _compare_signals([(a.mix, b.mix) for a, b in pairs])
    side_pairs = [
        (index, a.views[i], b.views[j])
        for index, (a, b) in enumerate(pairs)
        if best[index].coherence.score_db < SUFFICIENT_DB
        for i, j in view_pairs(len(a.views), len(b.views))[1:]
    ]
    results = _compare_signals([(a, b) for _, a, b in side_pairs])
    for (index, *_), result in zip(side_pairs, results, strict=True):
        if result.coherence.score_db > best[index].coherence.score_db:
            best[index] = result
    return best


def _compare_signals(pairs: Sequence[tuple[PreparedSignal, PreparedSignal]]) -> list[BestPair]:
    results = measure_coherence(pairs)
    return [BestPair(*pair, coherence) for pair, coherence in zip(pairs, results, strict=True)]


def is_exact_copy(first: ChannelViews, second: ChannelViews) -> bool:
    """Return whether one very short recording is a multiple of the other, sample by sample.

    It is False where either has no `short_samples`.
    """
    a, b = first.short_samples, second.short_samples
    if a is None or b is None or min(len(a), len(b)) < MIN_SAMPLES:
        return False
    if first.sr == second.sr:
        return _aligned_correlation(a, b) >= 1 - 10 ** (-SAME_RATE_DB / 10)
    limit_db = CLICK_RESAMPLED_DB if min(len(a), len(b)) < CLICK_SAMPLES else RESAMPLED_DB
    a, b = _to_common_rate(a, first.sr), _to_common_rate(b, second.sr)
    energy = float(a @ a) * float(b @ b)
    squared = float(np.square(np.correlate(a, b, "full")).max()) / energy if energy > 0 else 0.0
    return squared >= 1 - 10 ** (-limit_db / 10)


def _to_common_rate(samples: np.ndarray, sr: int) -> np.ndarray:
    """Pad both ends and convert to `COMMON_SR`; float64."""
    padded = np.pad(samples, round(RESAMPLE_PADDING_S * sr))
    if sr != COMMON_SR:
        padded = resample(padded[:, None], sr=sr, to_sr=COMMON_SR)[:, 0]
    return padded.astype(np.float64)


def _aligned_correlation(a: np.ndarray, b: np.ndarray) -> float:
    """Return the highest squared correlation of the shorter within the longer, means removed."""
    if len(a) > len(b):
        a, b = b, a
    if len(b) - len(a) > MAX_EXTRA_SAMPLES:
        return 0.0
    best, a = 0.0, a - a.mean()
    for start in range(len(b) - len(a) + 1):
        part = b[start : start + len(a)]
        part = part - part.mean()
        energy = float(a @ a) * float(part @ part)
        if energy > 0:
            best = max(best, float(a @ part) ** 2 / energy)
    return best

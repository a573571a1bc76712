"""Masking between the slots of a kit: their spectra, levels and pitches compared."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from catalog.audio.model import Audio
from catalog.errors import KitError
from catalog.features.descriptors.note_names import note_name
from catalog.features.loudness import hit_loudness, k_weight
from catalog.kit.fill.coherence import BODY_APART, LOW_SLOTS
from catalog.kit.levels import Levels, tune_stroke
from catalog.kit.model import Kit
from catalog.models import Hit
from catalog.search.drums.drum_pitch import DrumPitch
from catalog.wording import percent, plain_slot

# One-third-octave bands from 31.6 Hz to 15.8 kHz: base-ten midbands of IEC 61260-1, from memory.
BANDS_HZ = tuple(1000.0 * 10.0 ** (n / 10) for n in range(-15, 13))
WINDOW_S = 0.4  # of a stroke, as long as the window of its loudness
MASKED_SHARE = 0.7  # of the energy in the same bands, from which a pair is listed; no source
FLOOR_DB = -90.0  # of a band without energy
N_LINES = 6


@dataclass(frozen=True, eq=False)
class Masking:
    """Overlap of the slots of a kit, all in the order of `slots`."""

    slots: tuple[str, ...]
    hit_ids: tuple[int, ...]  # the strongest stroke of each slot, which is compared
    overlap: np.ndarray  # (k, k), share of K-weighted energy in the same bands; 0 for silence
    bands_hz: tuple[float, ...]  # midbands of third octaves
    spectrum_db: np.ndarray  # (k, b), energy of each band relative to the stroke
    level_lkfs: tuple[float, ...]  # hit loudness with the gain of the slot
    pitch_hz: tuple[float, ...]  # of the drum as tuned, NaN where there is none
    notes: tuple[str, ...]  # the nearest note, "" where there is none
    lines: tuple[str, ...]  # the pairs with the greatest overlap


def measure_masking(
    kit: Kit,
    hits: Mapping[int, Hit],
    levels: Levels,
    *,
    pitches: Mapping[int, DrumPitch],
    read: Callable[[Hit], Audio],
) -> Masking:
    """Measure the spectral overlap of the strongest strokes of each slot.

    `pitches` are those of the drums, see `catalog.search.drums.drum_pitch`.

    Raises
    ------
    KitError
        if the kit is empty or a hit cannot be read

    References
    ----------
    K weighting: Recommendation ITU-R BS.1770-4. Overlap of two distributions: the sum of the
    smaller of both, as in M. J. Swain, D. H. Ballard, "Color indexing", Int. J. Comput. Vision 7,
    11-32, 1991 (from memory).
    """
    slots = tuple(slot for slot, ids in kit.slots.items() if ids)
    if not slots:
        raise KitError("the kit is empty; fill at least one slot")
    top = [
        max((hits[i] for i in kit.slots[s]), key=lambda h: (h.strength_lkfs, -h.id)) for s in slots
    ]
    semitones = [kit.tuning_semitones.get(slot, 0.0) for slot in slots]
    strokes = [tune_stroke(read(hit), step) for hit, step in zip(top, semitones, strict=True)]
    shares = np.array([_band_shares(stroke) for stroke in strokes]).reshape(len(slots), -1)
    overlap = np.minimum(shares[:, None], shares[None]).sum(axis=2)
    with np.errstate(divide="ignore"):
        spectrum_db = np.maximum(10.0 * np.log10(shares), FLOOR_DB)
    level_lkfs = tuple(
        hit_loudness(audio.samples, sr=audio.sr) + levels.gain_db[slot]
        for slot, audio in zip(slots, strokes, strict=True)
    )
    pitch_hz = tuple(
        (pitches[hit.id].hz if hit.id in pitches else math.nan) * 2.0 ** (step / 12.0)
        for hit, step in zip(top, semitones, strict=True)
    )
    return Masking(
        slots=slots,
        hit_ids=tuple(hit.id for hit in top),
        overlap=overlap,
        bands_hz=BANDS_HZ,
        spectrum_db=spectrum_db,
        level_lkfs=level_lkfs,
        pitch_hz=pitch_hz,
        notes=tuple(note_name(hz) if math.isfinite(hz) and hz > 0 else "" for hz in pitch_hz),
        lines=_overlap_lines(slots, overlap, level_lkfs=level_lkfs, pitch_hz=pitch_hz),
    )


def _band_shares(audio: Audio) -> np.ndarray:
    """Share of the K-weighted energy in each third of an octave; zeros for silence."""
    n = round(WINDOW_S * audio.sr)
    sound = k_weight(audio.samples[:n], sr=audio.sr)
    power = np.square(np.abs(np.fft.rfft(sound, n=n, axis=0))).sum(axis=1)
    hz = np.fft.rfftfreq(n, 1.0 / audio.sr)
    edges = np.array([*(f * 10.0**-0.05 for f in BANDS_HZ), BANDS_HZ[-1] * 10.0**0.05])
    sums = np.concatenate([[0.0], np.cumsum(power)])
    bands = np.diff(sums[np.searchsorted(hz, edges)])
    total = float(bands.sum())
    return bands / total if total > 0 else np.zeros(len(BANDS_HZ))


def _overlap_lines(
    slots: Sequence[str],
    overlap: np.ndarray,
    *,
    level_lkfs: Sequence[float],
    pitch_hz: Sequence[float],
) -> tuple[str, ...]:
    """Describe the pairs in the same bands and the low drums of nearly one pitch, worst first."""
    found: list[tuple[float, str]] = []
    for a, b in combinations(range(len(slots)), 2):
        pair = f"{plain_slot(slots[a])} and {plain_slot(slots[b])}"
        share, louder_db = float(overlap[a, b]), level_lkfs[a] - level_lkfs[b]
        if share >= MASKED_SHARE:
            louder = plain_slot(slots[a if louder_db > 0 else b])
            level = f", {louder} {abs(louder_db):.0f} dB louder" if abs(louder_db) >= 1.0 else ""
            found.append(
                (share, f"{pair}: {percent(share)} of their energy in the same bands{level}")
            )
        is_low = slots[a] in LOW_SLOTS and slots[b] in LOW_SLOTS
        interval = 12.0 * abs(math.log2(pitch_hz[a] / pitch_hz[b])) if is_low else math.nan
        if interval < BODY_APART:
            found.append((1.0, f"{pair}: bodies {interval:.1f} semitones apart"))
    found.sort(key=lambda line: -line[0])
    return tuple(text for _, text in found[:N_LINES])

"""Where the slots of a kit cover each other: spectra, levels and pitches side by side."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from catalog.audio.model import Audio
from catalog.features.descriptors import note_name
from catalog.features.loudness import hit_loudness, k_weight
from catalog.kit.fill.coherence import BODY_APART, LOW_SLOTS
from catalog.kit.fill.explain import plain_slot
from catalog.kit.levels import Levels, tune_stroke
from catalog.kit.model import Kit
from catalog.models import Hit

BANDS_HZ = tuple(1000.0 * 10.0 ** (n / 10) for n in range(-15, 13))  # thirds of an octave, 31.6 Hz
# to 15.8 kHz: base-ten midbands of IEC 61260-1, from memory
WINDOW_S = 0.4  # of a stroke that is compared, as long as the window of its loudness
COVERED = 0.7  # of the energy in the same bands: two slots there need a reason; no source
N_LINES = 6


@dataclass(frozen=True, eq=False)
class Masking:
    """The slots of a kit against each other, all in the order of `slots`.

    Attributes
    ----------
    slots : tuple of str
    hit_ids : tuple of int, the strongest stroke of each slot, which is what is compared
    overlap : np.ndarray, float64, shape (k, k)
        share of K-weighted energy that two slots have in the same third-octave bands, 0 to 1;
        1 on the diagonal, 0 for silence
    bands_hz : tuple of float, midbands
    spectrum_db : np.ndarray, float64, shape (k, b), energy of each band under the whole stroke's
    level_lkfs : tuple of float, hit loudness as it will be played
    pitch_hz : tuple of float, body as it is tuned, NaN where there is none
    notes : tuple of str, the nearest note, "" where there is none
    lines : tuple of str, the pairs that cover each other most, in words
    """

    slots: tuple[str, ...]
    hit_ids: tuple[int, ...]
    overlap: np.ndarray
    bands_hz: tuple[float, ...]
    spectrum_db: np.ndarray
    level_lkfs: tuple[float, ...]
    pitch_hz: tuple[float, ...]
    notes: tuple[str, ...]
    lines: tuple[str, ...]


def measure_masking(
    kit: Kit, hits: Mapping[int, Hit], levels: Levels, *, read: Callable[[Hit], Audio]
) -> Masking:
    """Compare the strongest stroke of each slot with those of the others.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit
    levels : Levels
    read : callable, gives the decoded stroke of a hit

    Returns
    -------
    Masking

    References
    ----------
    K weighting: Recommendation ITU-R BS.1770-4. Overlap of two distributions: the sum of the
    smaller of both, as in M. J. Swain, D. H. Ballard, "Color indexing", Int. J. Comput. Vision 7,
    11-32, 1991 (from memory).
    """
    slots = tuple(slot for slot, ids in kit.slots.items() if ids)
    top = [
        max((hits[i] for i in kit.slots[s]), key=lambda h: (h.strength_lkfs, -h.id)) for s in slots
    ]
    semitones = [kit.tuning_semitones.get(slot, 0.0) for slot in slots]
    strokes = [tune_stroke(read(hit), step) for hit, step in zip(top, semitones, strict=True)]
    shares = np.array([_band_shares(stroke) for stroke in strokes]).reshape(len(slots), -1)
    overlap = np.minimum(shares[:, None], shares[None]).sum(axis=2)
    loudness = [
        hit_loudness(audio.samples, sr=audio.sr) + levels.gain_db[slot]
        for slot, audio in zip(slots, strokes, strict=True)
    ]
    pitch = [
        hit.descriptors.get("body_hz", math.nan) * 2.0 ** (step / 12.0)
        for hit, step in zip(top, semitones, strict=True)
    ]
    names = tuple(note_name(hz) if math.isfinite(hz) and hz > 0 else "" for hz in pitch)
    with np.errstate(divide="ignore"):
        spectrum = np.maximum(10.0 * np.log10(shares), -90.0)
    return Masking(
        slots, tuple(hit.id for hit in top), overlap, BANDS_HZ, spectrum, tuple(loudness),
        tuple(pitch), names, _tell(slots, overlap, loudness, pitch),
    )  # fmt: skip


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


def _tell(
    slots: Sequence[str], overlap: np.ndarray, loudness: Sequence[float], pitch: Sequence[float]
) -> tuple[str, ...]:
    found: list[tuple[float, str]] = []
    for a in range(len(slots)):
        for b in range(a + 1, len(slots)):
            pair = f"{plain_slot(slots[a])} and {plain_slot(slots[b])}"
            share, louder = float(overlap[a, b]), loudness[a] - loudness[b]
            if share >= COVERED:
                who = plain_slot(slots[a if louder > 0 else b])
                by = f", {who} {abs(louder):.0f} dB louder" if abs(louder) >= 1.0 else ""
                found.append((share, f"{pair}: {share:.0%} of their energy in the same bands{by}"))
            low = slots[a] in LOW_SLOTS and slots[b] in LOW_SLOTS
            step = 12.0 * abs(math.log2(pitch[a] / pitch[b])) if low else math.nan
            if step < BODY_APART:
                found.append((1.0, f"{pair}: bodies {step:.1f} semitones apart"))
    found.sort(key=lambda line: -line[0])
    return tuple(text for _, text in found[:N_LINES])

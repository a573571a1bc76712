"""The loudest chord of a kit: the strokes that a drummer can play at once, added up."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.features.loudness import OVERSAMPLING
from catalog.kit.slots import SLOTS

CHORD_S = 1.0  # from the onset; later every stroke has decayed
HANDS, FEET = 2, 2
FOOT_SLOTS = frozenset({"kick", "kick_2", "hat_pedal"})
BLOCK = 64  # oversampled frames; the sum of the peaks in each bounds the peak of a chord


@dataclass(frozen=True)
class Chord:
    """Slots that are struck together, and their true peak in dBTP, -inf for silence."""

    slots: tuple[str, ...]
    peak_dbtp: float


def loudest_chord(strokes: Mapping[str, Audio]) -> Chord:
    """Find the chord of two hands and two feet with the highest true peak.

    All strokes of a chord begin together; the slots of one choke group exclude each other.

    Parameters
    ----------
    strokes : mapping of slot to Audio
        at the levels that they are played at, at any sample rates; one channel plays on both sides

    References
    ----------
    True peak by fourfold oversampling: Recommendation ITU-R BS.1770-4, Annex 2.
    """
    loudest = Chord((), -math.inf)
    waves = _oversample(strokes)
    if not waves:
        return loudest
    blocks = {slot: _block_peaks(wave) for slot, wave in waves.items()}
    bounds = {chord: _highest([blocks[slot] for slot in chord]) for chord in _chords(waves)}
    peak = 0.0
    for chord, bound in sorted(bounds.items(), key=lambda item: -item[1]):
        if bound <= peak:
            break
        found = _highest([waves[slot] for slot in chord])
        if found > peak:
            peak, loudest = found, Chord(chord, 20.0 * math.log10(found))
    return loudest


def _chords(slots: Collection[str]) -> Iterator[tuple[str, ...]]:
    """Yield each set of slots that two hands and two feet can strike together."""
    feet = [slot for slot in slots if slot in FOOT_SLOTS]
    hands = [slot for slot in slots if slot not in FOOT_SLOTS]
    for low in _up_to(feet, FEET):
        for high in _up_to(hands, HANDS):
            groups = [SLOTS[slot].choke for slot in (*low, *high) if SLOTS[slot].choke]
            if (low or high) and len(groups) == len(set(groups)):
                yield (*low, *high)


def _up_to(slots: list[str], most: int) -> Iterator[tuple[str, ...]]:
    for n in range(most + 1):
        yield from combinations(slots, n)


def _oversample(strokes: Mapping[str, Audio]) -> dict[str, np.ndarray]:
    """Return strokes of one length, two channels and one oversampled rate."""
    from scipy.signal import resample_poly

    sr = max((audio.sr for audio in strokes.values()), default=0)
    waves = {}
    for slot, audio in strokes.items():
        part = audio.samples[: round(CHORD_S * audio.sr), :2]
        part = resample(part, sr=audio.sr, to_sr=sr)
        waves[slot] = resample_poly(part, OVERSAMPLING, 1, axis=0).astype(np.float32)
    n = max(map(len, waves.values()), default=0)
    return {slot: _pad(wave, -(-n // BLOCK) * BLOCK) for slot, wave in waves.items()}


def _pad(wave: np.ndarray, n_frames: int) -> np.ndarray:
    padded = np.zeros((n_frames, 2), np.float32)
    padded[: len(wave)] = wave
    return padded


def _block_peaks(wave: np.ndarray) -> np.ndarray:
    """Return the highest absolute sample of each block and channel, shape (n_blocks, 2)."""
    return np.asarray(np.abs(wave).reshape(-1, BLOCK, 2).max(axis=1))


def _highest(waves: list[np.ndarray]) -> float:
    return float(np.abs(np.sum(waves, axis=0)).max())

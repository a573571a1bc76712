"""Gain of each slot of a kit. A slot has one gain, so that recorded dynamics are preserved."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from catalog.audio.model import Audio
from catalog.audio.resample import resample, retune
from catalog.features.loudness import true_peak
from catalog.kit.model import Kit
from catalog.kit.slots import SLOTS
from catalog.models import Hit

CEILING_DBTP = -1.0  # maximum true peak of EBU R 128
MARGIN_DB = 0.1  # by which a fourfold oversampled true peak may read low (BS.1770-4, Annex 2)
CHORD_S = 1.0  # from the onset; later every stroke has decayed
LIMBS = 4  # most strokes that a drummer plays at once
QUIETEST_LKFS = -70.0  # absolute gate of BS.1770-4; no loudness is measured below it
MAX_BOOST_DB = 24.0  # more would raise the noise of the room with the drum
TARGET_LKFS = -20.0  # of kick and snare before headroom is set; only differences matter
BALANCE_LU: Mapping[str, float] = {
    "kick": 0.0, "snare": 0.0, "sidestick": -5.0, "clap": -2.0, "hat_closed": -9.0,
    "hat_pedal": -11.0, "hat_open": -6.0, "tom": -2.0, "crash": -3.0, "ride": -8.0,
    "ride_bell": -6.0, "splash": -6.0, "china": -4.0, "cowbell": -7.0, "tambourine": -8.0,
    "shaker": -11.0, "wood": -8.0, "conga_bongo": -5.0, "timbale_agogo": -5.0, "other": -8.0,
}  # fmt: skip  # relative to kick and snare, as drums are mixed; common practice, no source


@dataclass(frozen=True)
class Levels:
    """Gains of a kit."""

    gain_db: dict[str, float]  # of each slot, for all its hits
    chord_dbtp: float  # highest true peak that any four slots can reach, or all slots together do
    notes: tuple[str, ...]  # changes made, and slots whose level could not be set


def balance_levels(kit: Kit, hits: Mapping[int, Hit], *, read: Callable[[Hit], Audio]) -> Levels:
    """Balance the loudness of the slots and leave headroom for the loudest chord.

    The loudness of a slot is that of its strongest stroke, which full velocity plays. The user's
    own levels are added; the chord is measured with the slots tuned.

    References
    ----------
    Loudness and true peak: Recommendation ITU-R BS.1770-4, Annexes 1 and 2. Ceiling: EBU R 128.
    """
    kit = replace(kit, slots={slot: ids for slot, ids in kit.slots.items() if ids})
    balanced, notes = {}, []
    for slot, ids in kit.slots.items():
        balanced[slot], note = _balance_slot(slot, [hits[i] for i in ids])
        notes += [note] if note else []
        if own := kit.level_db.get(slot, 0.0):
            notes.append(f"{slot}: {own:+.1f} dB by hand")
    unmeasured = {slot for slot, gain in balanced.items() if gain is None}
    gains = {slot: (gain or 0.0) + kit.level_db.get(slot, 0.0) for slot, gain in balanced.items()}
    peak = _chord_peak(kit, hits, gains, read=read)
    headroom_db = 0.0
    if math.isfinite(peak):
        headroom_db = min(CEILING_DBTP - MARGIN_DB - peak, MAX_BOOST_DB - max(gains.values()))
        notes.append(
            f"all slots {headroom_db:+.1f} dB: any chord stays under {CEILING_DBTP:.0f} dBTP"
        )
    for slot in gains:
        gains[slot] += min(headroom_db, 0.0) if slot in unmeasured else headroom_db
    return Levels(gains, peak + headroom_db, tuple(notes))


def _balance_slot(slot: str, strokes: Sequence[Hit]) -> tuple[float | None, str]:
    top = max(strokes, key=lambda hit: hit.strength_lkfs)
    loudness = top.descriptors.get("loudness_lkfs", math.nan)
    if not loudness > QUIETEST_LKFS:
        return None, f"{slot}: too quiet to be measured; its level was not changed"
    gain_db = TARGET_LKFS + BALANCE_LU[SLOTS[slot].roles[0]] - loudness
    missing_db = gain_db - MAX_BOOST_DB
    if missing_db > 0.0:
        return (
            MAX_BOOST_DB,
            f"{slot}: {missing_db:.0f} dB too quiet; more gain would raise its noise",
        )
    return gain_db, ""


def _chord_peak(
    kit: Kit, hits: Mapping[int, Hit], gain_db: Mapping[str, float], *, read: Callable[[Hit], Audio]
) -> float:
    """Highest true peak of a chord, dBTP: the four highest peaks added, or all slots together."""
    peaks, strongest = [], []
    for slot, ids in kit.slots.items():
        gain = 10.0 ** (gain_db[slot] / 20.0)
        top = max((hits[i] for i in ids), key=lambda hit: (hit.strength_lkfs, -hit.id))
        highest = 0.0
        for hit_id in ids:
            audio = tune_stroke(read(hits[hit_id]), kit.tuning_semitones.get(slot, 0.0))
            highest = max(highest, 10.0 ** (true_peak(audio.samples) / 20.0))
            if hit_id == top.id:
                strongest.append(replace(audio, samples=audio.samples * np.float32(gain)))
        peaks.append(highest * gain)
    bound = sum(sorted(peaks)[-LIMBS:])
    if bound <= 0.0:
        return -math.inf
    return max(20.0 * math.log10(bound), simultaneous_peak(strongest))


def simultaneous_peak(strokes: Sequence[Audio]) -> float:
    """Measure the true peak in dBTP of strokes that begin together, at any sample rates.

    One channel plays on both sides. The peak of silence is -inf.
    """
    if not strokes:
        return -math.inf
    sr = max(audio.sr for audio in strokes)
    parts = [
        resample(audio.samples[: round(CHORD_S * audio.sr), :2], sr=audio.sr, to_sr=sr)
        for audio in strokes
    ]
    mix = np.zeros((max(map(len, parts)), 2), dtype=np.float32)
    for part in parts:
        mix[: len(part)] += part
    return true_peak(mix)


def tune_stroke(audio: Audio, semitones: float, *, to_sr: int | None = None) -> Audio:
    """Tune a stroke by playing it faster or slower; convert it to `to_sr` in Hz if given."""
    sr = audio.sr if to_sr is None else to_sr
    samples = retune(audio.samples, sr=audio.sr, to_sr=sr, semitones=semitones)
    return replace(audio, samples=samples, sr=sr)

"""Gain of each slot of a kit. A slot has one gain, so that recorded dynamics are preserved."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from catalog.audio.model import Audio
from catalog.audio.resample import retune
from catalog.features.loudness import true_peak
from catalog.kit.chords import Chord, loudest_chord
from catalog.kit.dynamics import reference_lkfs, stroke_curves
from catalog.kit.layers import Layer, layers_of
from catalog.kit.model import Kit
from catalog.kit.slots import SLOTS
from catalog.models import Hit
from catalog.wording import plain_slot

CEILING_DBTP = -1.0  # maximum true peak of EBU R 128
MARGIN_DB = 0.1  # by which a fourfold oversampled true peak may read low (BS.1770-4, Annex 2)
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
    chord_dbtp: float  # true peak of the loudest chord, struck together at full velocity
    notes: tuple[str, ...]  # changes made, and slots whose level could not be set


def balance_levels(kit: Kit, hits: Mapping[int, Hit], *, read: Callable[[Hit], Audio]) -> Levels:
    """Balance the loudness of the slots and bring the loudest chord to the ceiling.

    The loudness of a slot is that of full velocity, heard over two loudspeakers: both play a mono
    recording. The chord is the loudest of all that two hands and two feet can strike together. It
    is measured with the slots tuned, and the user's own levels are added.

    References
    ----------
    Loudness and true peak: Recommendation ITU-R BS.1770-4, Annexes 1 and 2. Ceiling: EBU R 128.
    """
    kit = replace(kit, slots={slot: ids for slot, ids in kit.slots.items() if ids})
    layers = {slot: layers_of(kit, slot, hits) for slot in kit.slots}
    balanced, notes = {}, []
    for slot, own in layers.items():
        balanced[slot], note = _balance_slot(slot, own)
        notes += [note] if note else []
        if by_hand := kit.level_db.get(slot, 0.0):
            notes.append(f"{slot}: {by_hand:+.1f} dB by hand")
    unmeasured = {slot for slot, gain in balanced.items() if gain is None}
    gains = {slot: (gain or 0.0) + kit.level_db.get(slot, 0.0) for slot, gain in balanced.items()}
    chord, file = _loudest_chord(kit, layers, gains, read=read)
    headroom_db = 0.0
    if math.isfinite(chord.peak_dbtp):
        highest_db = max(chord.peak_dbtp, file.peak_dbtp)
        ceiling_db = CEILING_DBTP - MARGIN_DB
        headroom_db = min(ceiling_db - highest_db, MAX_BOOST_DB - max(gains.values()))
        notes.append(_describe_chord(chord, headroom_db))
        if file.peak_dbtp > chord.peak_dbtp:
            slot = plain_slot(file.slots[0])
            notes.append(f"{slot}: its loudest file, of a soft layer, sets that level")
    for slot in gains:
        gains[slot] += min(headroom_db, 0.0) if slot in unmeasured else headroom_db
    return Levels(gains, chord.peak_dbtp + headroom_db, tuple(notes))


def _balance_slot(slot: str, layers: Sequence[Layer]) -> tuple[float | None, str]:
    loudness = reference_lkfs(layers)
    if not loudness > QUIETEST_LKFS:
        return None, f"{slot}: too quiet to be measured; its level was not changed"
    gain_db = TARGET_LKFS + BALANCE_LU[SLOTS[slot].roles[0]] - loudness
    missing_db = gain_db - MAX_BOOST_DB
    if missing_db > 0.0:
        note = f"{slot}: {missing_db:.0f} dB too quiet; more gain would raise its noise"
        return MAX_BOOST_DB, note if missing_db >= 0.5 else ""
    return gain_db, ""


def _describe_chord(chord: Chord, headroom_db: float) -> str:
    names = ", ".join(map(plain_slot, chord.slots))
    what = f"{names} struck together reach" if len(chord.slots) > 1 else f"{names} reaches"
    return (
        f"all slots {headroom_db:+.1f} dB: at full velocity {what} "
        f"{chord.peak_dbtp + headroom_db:.1f} dBTP, the most that two hands and two feet play"
    )


def _loudest_chord(
    kit: Kit,
    layers: Mapping[str, Sequence[Layer]],
    gain_db: Mapping[str, float],
    *,
    read: Callable[[Hit], Audio],
) -> tuple[Chord, Chord]:
    """Find the loudest chord at full velocity, or the stroke of any velocity that is louder.

    The second result is the loudest file: curves lower some strokes only when they are played.
    """
    single, file, strongest = Chord((), -math.inf), Chord((), -math.inf), {}
    for slot, own in layers.items():
        full = {hit.id for hit in own[-1].hits}
        loudest = -math.inf
        for hit, curve in stroke_curves(own):
            audio = tune_stroke(read(hit), kit.tuning_semitones.get(slot, 0.0))
            level_db = gain_db[slot] + curve.top_db
            recorded_dbtp = true_peak(audio.samples)
            peak = recorded_dbtp + level_db
            file = max(file, Chord((slot,), recorded_dbtp + gain_db[slot]), key=_peak)
            single = max(single, Chord((slot,), peak), key=_peak)
            if peak > loudest and hit.id in full:
                samples = audio.samples * np.float32(10.0 ** (level_db / 20.0))
                strongest[slot], loudest = replace(audio, samples=samples), peak
    return max(single, loudest_chord(strongest), key=_peak), file


def _peak(chord: Chord) -> float:
    return chord.peak_dbtp


def tune_stroke(audio: Audio, semitones: float, *, to_sr: int | None = None) -> Audio:
    """Tune a stroke by playing it faster or slower; convert it to `to_sr` in Hz if given."""
    sr = audio.sr if to_sr is None else to_sr
    samples = retune(audio.samples, sr=audio.sr, to_sr=sr, semitones=semitones)
    return replace(audio, samples=samples, sr=sr)

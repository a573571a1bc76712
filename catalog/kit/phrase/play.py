"""Play a phrase on a kit: choose the strokes with their times and gains, and render the audio.

Velocities select layers, round robins alternate, and hats choke each other, as in the SFZ file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from catalog.audio.model import Audio
from catalog.audio.resample import retune
from catalog.errors import KitError
from catalog.features.loudness import true_peak
from catalog.kit.dynamics import stroke_curve
from catalog.kit.layers import Layer, layers_of
from catalog.kit.levels import CEILING_DBTP, MARGIN_DB
from catalog.kit.model import Kit
from catalog.kit.phrase.phrases import TEMPO_BPM, Event, Phrase
from catalog.kit.slots import SLOTS
from catalog.models import Hit

CHOKE_S = 0.05  # fade of a choked stroke, as in the SFZ file
TAIL_S = 2.5  # after the last stroke
MAX_BOOST_DB = 12.0  # of a phrase; a soft one stays soft, and noise is not raised further
MAX_FRAMES = 60_000_000  # of a phrase: five minutes at 192 kHz, 480 MB of stereo
MAX_MIXED_FRAMES = 3_000_000_000  # of all strokes: about ten seconds of work


@dataclass(frozen=True)
class Stroke:
    """One stroke of a performance.

    If a later stroke of its choke group stops it, it fades out within `CHOKE_S` from `choke_s` on.
    """

    time_s: float
    slot: str
    hit_id: int
    velocity: int  # 1 to 127
    layer: int  # counted from 1, the weakest first
    robin: int  # counted from 1
    gain_db: float  # of the slot and of the velocity
    tuning_semitones: float = 0.0
    choke_s: float | None = None


@dataclass(frozen=True)
class Performance:
    """A phrase as a kit plays it."""

    phrase: str
    strokes: tuple[Stroke, ...]  # in order of time
    length_s: float  # including the tail of the last stroke
    left_out: Mapping[int, int]  # number of strokes of each MIDI key without a slot in the kit
    notes: tuple[str, ...]  # what was left out or changed


def perform_phrase(
    kit: Kit, hits: Mapping[int, Hit], phrase: Phrase, *, gain_db: Mapping[str, float]
) -> Performance:
    """Choose the stroke, gain and choke time of each event of a phrase.

    `gain_db` holds the gain of each slot, see `catalog.kit.levels.balance_levels`.
    """
    beat_s, events = 60.0 / TEMPO_BPM, phrase.events
    layers = {s: layers_of(kit, s, hits) for s, ids in kit.slots.items() if ids}
    n_played: dict[tuple[str, int], int] = {}
    strokes = []
    for index, event in enumerate(events):
        number, layer = _layer_at(layers[event.slot], event.velocity)
        turn = n_played.get((event.slot, number), 0)
        n_played[event.slot, number] = turn + 1
        robin = turn % len(layer.hits)
        choke_beat = _choke_beat(events, index)
        hit = layer.hits[robin]
        curve = stroke_curve(hit, layer, layers[event.slot])
        strokes.append(Stroke(
            time_s=event.beat * beat_s, slot=event.slot, hit_id=hit.id,
            velocity=event.velocity, layer=number, robin=robin + 1,
            gain_db=gain_db[event.slot] + curve.gain_db(event.velocity),
            tuning_semitones=kit.tuning_semitones.get(event.slot, 0.0),
            choke_s=None if choke_beat is None else choke_beat * beat_s,
        ))  # fmt: skip
    length_s = max((stroke.time_s for stroke in strokes), default=0.0) + TAIL_S
    return Performance(phrase.name, tuple(strokes), length_s, phrase.left_out, phrase.notes)


def _layer_at(layers: Sequence[Layer], velocity: int) -> tuple[int, Layer]:
    return next((n, x) for n, x in enumerate(layers, 1) if x.lowest <= velocity <= x.highest)


def render_phrase(
    kit: Kit,
    hits: Mapping[int, Hit],
    phrase: Phrase,
    *,
    gain_db: Mapping[str, float],
    read: Callable[[Hit], Audio],
    sr: int,
) -> np.ndarray:
    """Render a phrase with layers, round robins and choke groups.

    Parameters
    ----------
    kit, hits, phrase, gain_db : as for `perform_phrase`
    read : callable, decodes the stroke of a hit
    sr : int, Hz, of the result

    Returns
    -------
    np.ndarray, float32, shape (n_frames, 2)
        its true peak is brought to -1 dBTP as a whole, boosted by `MAX_BOOST_DB` at most

    Raises
    ------
    KitError
        if the phrase is too long at that rate, or its strokes together are
    """
    performance = perform_phrase(kit, hits, phrase, gain_db=gain_db)
    _check_work(performance, hits, sr=sr)
    out = np.zeros((round(performance.length_s * sr), 2), dtype=np.float32)
    tuned: dict[tuple[int, float], np.ndarray] = {}
    for stroke in performance.strokes:
        key = (stroke.hit_id, stroke.tuning_semitones)
        if key not in tuned:
            audio = read(hits[stroke.hit_id])
            tuned[key] = retune(audio.samples[:, :2], sr=audio.sr, to_sr=sr, semitones=key[1])
        samples = tuned[key] * np.float32(10.0 ** (stroke.gain_db / 20.0))
        start = round(stroke.time_s * sr)
        if stroke.choke_s is not None:
            samples = _choke(samples, round((stroke.choke_s - stroke.time_s) * sr), sr=sr)
        samples = samples[: len(out) - start]
        out[start : start + len(samples)] += samples
    peak_db = true_peak(out)
    if not np.isfinite(peak_db):
        return out
    change_db = min(CEILING_DBTP - MARGIN_DB - peak_db, MAX_BOOST_DB)
    return out * np.float32(10.0 ** (change_db / 20.0))


def _check_work(performance: Performance, hits: Mapping[int, Hit], *, sr: int) -> None:
    """Raise `KitError` if a phrase would take too much memory or time."""
    mixed_s = sum(
        min((hit.stop - hit.start) / hit.sr, performance.length_s - stroke.time_s)
        for stroke in performance.strokes
        for hit in (hits[stroke.hit_id],)
    )
    if performance.length_s * sr > MAX_FRAMES:
        raise KitError(
            f"{performance.phrase}: {performance.length_s:.0f} s at {sr} Hz are too long; render "
            "it at a lower rate, or cut a shorter phrase from it"
        )
    if mixed_s * sr > MAX_MIXED_FRAMES:
        raise KitError(
            f"{performance.phrase}: its {len(performance.strokes)} strokes last {mixed_s:.0f} s "
            "together, which is too long; cut a shorter phrase from it"
        )


def _choke_beat(events: Sequence[Event], index: int) -> float | None:
    """Return the beat at which a later stroke of the same choke group stops this one."""
    group = SLOTS[events[index].slot].choke
    if not group:
        return None
    later = (e.beat for e in events[index + 1 :] if SLOTS[e.slot].choke == group)
    return next(later, None)


def _choke(stroke: np.ndarray, at: int, *, sr: int) -> np.ndarray:
    """Fade a stroke out within `CHOKE_S` from frame `at` on."""
    n = round(CHOKE_S * sr)
    if at >= len(stroke):
        return stroke
    cut = np.array(stroke[: at + n])
    fall = (0.5 + 0.5 * np.cos(np.pi * np.arange(1, n + 1) / n)).astype(np.float32)
    cut[at:] *= fall[: len(cut) - at, None]
    return cut

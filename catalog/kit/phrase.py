"""A short phrase to hear a kit by: as events, as a Standard MIDI File, and rendered.

The phrases are invented for this project. Velocities choose layers, strokes take turns, and a hat
stops the other hats, as in the SFZ file.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from catalog.errors import KitError
from catalog.kit.assemble import Kit
from catalog.kit.layers import cut_layers, velocity_gain
from catalog.kit.levels import CEILING_DBTP, MARGIN_DB
from catalog.kit.slots import SLOTS, find_slot
from catalog.library.records import Hit
from catalog.sound.decode import Audio, resample
from catalog.sound.loudness import true_peak

TEMPO_BPM = 96.0
TICKS = 480  # a quarter note; common in MIDI files
DRUM_CHANNEL = 9  # channel 10 counted from 1: General MIDI percussion
NOTE_BEATS = 0.125  # drums ignore how long a key is held
CHOKE_S = 0.05  # in which a choked stroke dies away, as in the SFZ file
TAIL_S = 2.5  # after the last stroke


@dataclass(frozen=True)
class Event:
    """One stroke of a phrase: when, in quarter notes; which slot; how hard, 1 to 127."""

    beat: float
    slot: str
    velocity: int


def _bar(first: float, rows: Mapping[str, Sequence[tuple[float, int]]]) -> list[Event]:
    return [Event(first + beat, slot, v) for slot, hits in rows.items() for beat, v in hits]


_EVENTS: tuple[Event, ...] = tuple(
    _bar(0.0, {
        "crash": [(0.0, 112)],
        "kick": [(0.0, 118), (1.5, 84), (2.5, 106)],
        "snare": [(1.0, 114), (2.25, 34), (3.0, 110), (3.75, 42)],
        "hat_closed": [(0.5, 70), (1.0, 92), (1.5, 64), (2.0, 96), (2.5, 60), (3.0, 90)],
        "hat_open": [(3.5, 98)],
    })
    + _bar(4.0, {
        "hat_pedal": [(0.0, 80)],
        "kick": [(0.0, 116), (0.75, 76), (2.0, 110)],
        "snare": [(1.0, 116)],
        "ride": [(0.0, 88), (0.5, 62), (1.0, 94), (1.5, 66)],
        "sidestick": [(1.75, 72)],
        "tom_high": [(2.0, 104), (2.25, 82)],
        "tom_mid": [(2.5, 106), (2.75, 86)],
        "tom_low": [(3.0, 110), (3.25, 90), (3.5, 114)],
    })
    + _bar(8.0, {"crash": [(0.0, 122)], "kick": [(0.0, 122)]})
)  # fmt: skip


def phrase_for(slots: Collection[str]) -> tuple[Event, ...]:
    """The strokes of the phrase that a kit has slots for; every other slot is struck once before.

    Parameters
    ----------
    slots : collection of str, the filled ones

    Returns
    -------
    tuple of Event, in order of time, then of key

    Raises
    ------
    KitError
        if a slot is unknown or there is none
    """
    if not slots:
        raise KitError("the kit is empty: fill at least one slot")
    played = {event.slot for event in _EVENTS}
    others = sorted((name for name in slots if name not in played), key=lambda n: find_slot(n).note)
    first = [Event(float(i), name, 100) for i, name in enumerate(others)]
    shift = float(-(-len(others) // 4) * 4)  # whole bars
    events = [Event(e.beat + shift, e.slot, e.velocity) for e in _EVENTS if e.slot in slots]
    return tuple(sorted(first + events, key=lambda e: (e.beat, SLOTS[e.slot].note)))


def phrase_midi(events: Sequence[Event]) -> bytes:
    """Write a phrase as a Standard MIDI File, format 0, on the percussion channel.

    Parameters
    ----------
    events : sequence of Event

    Returns
    -------
    bytes

    References
    ----------
    Standard MIDI Files 1.0 (RP-001), MIDI Manufacturers Association; written by mido.
    """
    import mido

    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(TEMPO_BPM), time=0)])
    timed = []
    for event in events:
        note, start = SLOTS[event.slot].note, round(event.beat * TICKS)
        timed.append((start, 1, note, event.velocity))
        timed.append((start + round(NOTE_BEATS * TICKS), 0, note, 0))
    now = 0
    for tick, is_on, note, velocity in sorted(timed):
        kind = "note_on" if is_on else "note_off"
        message = mido.Message(
            kind, channel=DRUM_CHANNEL, note=note, velocity=velocity, time=tick - now
        )
        track.append(message)
        now = tick
    out = io.BytesIO()
    mido.MidiFile(type=0, ticks_per_beat=TICKS, tracks=[track]).save(file=out)
    return out.getvalue()


def render_phrase(
    kit: Kit,
    hits: Mapping[int, Hit],
    events: Sequence[Event],
    *,
    gain_db: Mapping[str, float],
    read: Callable[[Hit], Audio],
    sr: int,
) -> np.ndarray:
    """Play a phrase with layers, round robins and choke.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit
    events : sequence of Event, in order of time
    gain_db : mapping of slot name to dB, see `catalog.kit.levels.match_levels`
    read : callable, gives the decoded stroke of a hit
    sr : int, Hz, of the result

    Returns
    -------
    np.ndarray, float32, shape (n_frames, 2)
        under -1 dBTP: turned down as a whole if many tails should add up to more
    """
    beat_s = 60.0 / TEMPO_BPM
    ends_s = [event.beat * beat_s for event in events]
    out = np.zeros((round((max(ends_s, default=0.0) + TAIL_S) * sr), 2), dtype=np.float32)
    layers = {s: cut_layers([hits[i] for i in ids]) for s, ids in kit.slots.items() if ids}
    turns: dict[tuple[str, int], int] = {}
    for place, event in enumerate(events):
        found = layers[event.slot]
        number, layer = next(
            (n, x) for n, x in enumerate(found) if x.lowest <= event.velocity <= x.highest
        )
        turn = turns.get((event.slot, number), 0)
        turns[event.slot, number] = turn + 1
        audio = read(layer.hits[turn % len(layer.hits)])
        gain = 10.0 ** (gain_db[event.slot] / 20.0) * velocity_gain(found, event.velocity)
        stroke = resample(audio.samples[:, :2], sr=audio.sr, to_sr=sr) * np.float32(gain)
        start = round(event.beat * beat_s * sr)
        stop_s = _choked_at(events, place)
        if stop_s is not None:
            stroke = _choke(stroke, round((stop_s - event.beat) * beat_s * sr), sr=sr)
        stroke = stroke[: len(out) - start]
        out[start : start + len(stroke)] += stroke
    over_db = true_peak(out, sr=sr) - (CEILING_DBTP - MARGIN_DB)
    return out * np.float32(10.0 ** (-over_db / 20.0)) if over_db > 0.0 else out


def _choked_at(events: Sequence[Event], place: int) -> float | None:
    """Beat at which a later stroke of the same choke group stops this one."""
    group = SLOTS[events[place].slot].choke
    if not group:
        return None
    later = (e.beat for e in events[place + 1 :] if SLOTS[e.slot].choke == group)
    return next(later, None)


def _choke(stroke: np.ndarray, at: int, *, sr: int) -> np.ndarray:
    """Let a stroke die away within `CHOKE_S` from frame `at` on."""
    n = round(CHOKE_S * sr)
    if at >= len(stroke):
        return stroke
    cut = np.array(stroke[: at + n])
    fall = (0.5 + 0.5 * np.cos(np.pi * np.arange(1, n + 1) / n)).astype(np.float32)
    cut[at:] *= fall[: len(cut) - at, None]
    return cut

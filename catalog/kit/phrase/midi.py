"""Standard MIDI Files: write a phrase as one, and read one as a phrase for a kit."""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from typing import Any, NamedTuple

from catalog.errors import KitArgumentError
from catalog.kit.phrase.phrases import TEMPO_BPM, Event, Phrase, select_phrase
from catalog.kit.slots import NO_NOTES, SLOTS, NoteMap, assign_notes, gm_name

TICKS = 480  # a quarter note; common in MIDI files
DRUM_CHANNEL = 9  # channel 10 counted from 1: General MIDI percussion
NOTE_BEATS = 0.125  # drums ignore how long a key is held
MAX_BYTES = 250_000  # 20,000 strokes with their ends take 160,000; mido reads 100,000 in a second
MAX_S = 300.0  # of a phrase: five minutes of stereo take 100 MB while rendered
MAX_EVENTS = 20_000
TEMPO_US = 500_000  # of a quarter note where a file sets no tempo: 120 a minute (RP-001)
MAX_NAMED_KEYS = 3  # in a message


class _NoteOn(NamedTuple):
    time_s: float
    channel: int
    note: int
    velocity: int


def phrase_midi(events: Sequence[Event], notes: NoteMap = NO_NOTES) -> bytes:
    """Write a phrase as a Standard MIDI File, format 0, on the percussion channel.

    Slots that are not in `notes` are on their General MIDI key.

    References
    ----------
    Standard MIDI Files 1.0 (RP-001), MIDI Manufacturers Association; written by mido.
    """
    import mido

    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(TEMPO_BPM), time=0)])
    timed = []
    for event in events:
        note = notes.get(event.slot, (SLOTS[event.slot].note,))[0]
        start = round(event.beat * TICKS)
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


def load_phrase(source: str | bytes, slots: Collection[str], notes: NoteMap = NO_NOTES) -> Phrase:
    """Return the phrase of a name in `PHRASES`, or that of a whole Standard MIDI File.

    A MIDI file is read with the keys of `notes`, see `assign_notes`.

    Raises
    ------
    KitError
        as `select_phrase` or `read_midi`
    """
    if isinstance(source, str):
        return select_phrase(source, slots)
    return read_midi(source, slots, notes=notes)


def read_midi(
    data: bytes, slots: Collection[str], *, notes: NoteMap = NO_NOTES, name: str = "MIDI file"
) -> Phrase:
    """Read the strokes of a Standard MIDI File that a kit's keys play.

    Only the percussion channel is read if the file uses it, otherwise every channel. The keys are
    those of the export, so that the phrase sounds as it will from the exported kit.

    Parameters
    ----------
    data : bytes, the whole file, of format 0, 1 or 2 (whose tracks are played one after another)
    slots : collection of str, the filled ones
    notes : mapping of slot to keys, in place of the General MIDI ones
    name : str, for messages

    Raises
    ------
    KitError
        if it is no MIDI file, is broken, or holds no stroke that the kit plays

    References
    ----------
    Standard MIDI Files 1.0 (RP-001), MIDI Manufacturers Association; read by mido.
    """
    strokes = _read_note_ons(data, name)
    if any(stroke.channel == DRUM_CHANNEL for stroke in strokes):
        strokes = [stroke for stroke in strokes if stroke.channel == DRUM_CHANNEL]
    keys = assign_notes(tuple(slots), notes)
    slot_of = {note: slot for slot, own in keys.items() for note in own}
    events: list[Event] = []
    left_out = Counter[int]()
    changes: list[str] = []
    for stroke in sorted(strokes):
        if stroke.note not in slot_of:
            left_out[stroke.note] += 1
        elif stroke.time_s > MAX_S or len(events) == MAX_EVENTS:
            limit = f"{MAX_EVENTS} strokes" if len(events) == MAX_EVENTS else f"{MAX_S:.0f} s"
            changes.append(f"played to {stroke.time_s:.0f} s only: a phrase holds {limit}")
            break
        else:
            beat = stroke.time_s * TEMPO_BPM / 60.0
            events.append(Event(beat, slot_of[stroke.note], stroke.velocity))
    if not events:
        plays = f"; it plays {_key_names(left_out)}" if left_out else ""
        raise KitArgumentError(f"{name}: no stroke in it is on a key of this kit{plays}")
    if left_out:
        changes.append(f"no slot plays {_key_names(left_out)}")
    return Phrase(name, tuple(events), dict(left_out), tuple(changes))


def _key_names(left_out: Counter[int]) -> str:
    keys = [
        f"{note} ({gm_name(note) or 'no percussion key'})" for note, _ in left_out.most_common()
    ]
    more = f" and {len(keys) - MAX_NAMED_KEYS} more" if len(keys) > MAX_NAMED_KEYS else ""
    return f"{', '.join(keys[:MAX_NAMED_KEYS])}{more}"


def _read_note_ons(data: bytes, name: str) -> list[_NoteOn]:
    """Read every stroke of a file with its time in seconds."""
    import mido

    if len(data) > MAX_BYTES:
        raise KitArgumentError(
            f"{name}: is larger than {MAX_BYTES // 1000} kB; cut a phrase from it"
        )
    if data[:4] != b"MThd":
        raise KitArgumentError(
            f"{name}: is not a Standard MIDI File; export one from your sequencer"
        )
    try:
        file = mido.MidiFile(file=io.BytesIO(data), clip=True)
        return list(_timed_note_ons(file))
    except (OSError, EOFError, ValueError, LookupError, TypeError, ArithmeticError) as err:
        raise KitArgumentError(f"{name}: the file is broken ({err or 'it ends early'})") from err


def _timed_note_ons(file: Any) -> Iterator[_NoteOn]:
    """Yield the strokes of the merged tracks, or of one track after another in format 2."""
    import mido

    tracks = file.tracks if file.type == 2 else [mido.merge_tracks(file.tracks)]
    now_s = 0.0
    for track in tracks:
        tempo = TEMPO_US
        for message in track:
            now_s += message.time * _tick_s(file.ticks_per_beat, tempo)
            if message.type == "set_tempo":
                tempo = message.tempo
            elif message.type == "note_on" and message.velocity > 0:
                yield _NoteOn(now_s, message.channel, message.note, message.velocity)


def _tick_s(division: int, tempo_us: int) -> float:
    """Length of a tick; a division below 0 counts parts of a video frame, whatever the tempo."""
    if division == 0:
        raise ValueError("its time division is zero")
    if division > 0:
        return tempo_us / 1e6 / division
    frames, parts = -(division >> 8), division & 0xFF
    return 1.0 / ({29: 30.0 / 1.001}.get(frames, float(frames)) * parts)

"""Any Standard MIDI File becomes a phrase: times by its tempo map, keys as the kit has them."""

import io
import struct
import time

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.errors import KitError
from catalog.kit.model import Kit
from catalog.kit.phrase.midi import phrase_midi, read_midi
from catalog.kit.phrase.phrases import TEMPO_BPM, Event, Phrase, select_phrase
from catalog.kit.phrase.play import perform_phrase
from catalog.kit.slots import DEFAULT_SLOTS
from tests.kit.drums import make_hit

SLOTS = ("kick", "snare")
TEMPO_60 = mido.MetaMessage("set_tempo", tempo=1_000_000, time=960)
TIME_S = 1e-3  # the files below count in ticks finer than that


def note(key: int, time: int, *, channel: int = 9, velocity: int = 100) -> mido.Message:
    return mido.Message("note_on", channel=channel, note=key, velocity=velocity, time=time)


def midi(*tracks: list, kind: int = 1) -> bytes:
    out = io.BytesIO()
    tracks_of_file = [mido.MidiTrack(track) for track in tracks]
    mido.MidiFile(type=kind, ticks_per_beat=480, tracks=tracks_of_file).save(file=out)
    return out.getvalue()


def test_a_written_phrase_reads_back():
    events = select_phrase("two bars", DEFAULT_SLOTS).events
    again = read_midi(phrase_midi(events), DEFAULT_SLOTS).events
    assert [(e.slot, e.velocity) for e in again] == [(e.slot, e.velocity) for e in events]
    assert [e.beat for e in again] == pytest.approx([e.beat for e in events], abs=0.01)


def in_video_frames(data: bytes) -> bytes:
    """RP-001: division E7 28 hex is 25 frames a second of 40 parts, a tick a millisecond."""
    return data[:12] + bytes([0xE7, 0x28]) + data[14:]


@pytest.mark.parametrize(
    ("data", "strokes"),
    [
        (  # a tempo in another track: two quarters at 120 a minute take 1 s, two at 60 take 2 s
            midi([TEMPO_60], [note(36, 0), note(38, 960), note(36, 960)]),
            [(0.0, "kick"), (1.0, "snare"), (3.0, "kick")],
        ),
        # tracks of format 2 follow one another
        (midi([note(36, 480)], [note(38, 480)], kind=2), [(0.5, "kick"), (1.0, "snare")]),
        (in_video_frames(midi([TEMPO_60, note(36, 540)])), [(1.5, "kick")]),
        # only the percussion channel is read if the file uses it
        (midi([note(36, 0, channel=0), note(38, 0)]), [(0.0, "snare")]),
        (midi([note(36, 0, channel=3), note(38, 9, channel=3, velocity=0)]), [(0.0, "kick")]),
    ],
)
def test_strokes_have_the_times_and_slots_of_the_file(data, strokes):
    events = read_midi(data, SLOTS).events
    assert [event.slot for event in events] == [slot for _, slot in strokes]
    times_s = [event.beat * 60 / TEMPO_BPM for event in events]
    assert times_s == pytest.approx([time_s for time_s, _ in strokes], abs=TIME_S)


def test_keys_that_no_slot_plays_are_counted_and_named():
    phrase = read_midi(midi([note(36, 0), note(49, 5), note(49, 5)]), SLOTS)
    assert phrase.left_out == {49: 2}
    assert phrase.notes == ("no slot plays 49 (Crash Cymbal 1)",)
    with pytest.raises(KitError, match=r"no stroke in it is on a key of this kit; it plays 49"):
        read_midi(midi([note(49, 0)]), SLOTS)


def test_a_long_file_is_cut_after_five_minutes_with_a_note():
    phrase = read_midi(midi([note(36, 480) for _ in range(700)]), SLOTS)
    assert len(phrase.events) == 600
    assert phrase.notes == ("played to 300 s only: a phrase holds 300 s",)


def running(event: bytes, size: int) -> bytes:
    """Return a file of `size` bytes whose events have no status byte of their own (RP-001)."""
    status = {2: b"\0\xc9\x24", 3: b"\0\x99\x24\x40"}[len(event)]
    track = status + event * ((size - 22 - len(status)) // len(event))
    header = struct.pack(">4sIHHH4sI", b"MThd", 6, 0, 1, 480, b"MTrk", len(track))
    return header + track


HOSTILE = (b"\0\x24\x40", b"\0\x24")  # strokes, and changes of the program
READ_S = 10.0  # for the largest file, on a busy computer; a 1 MB file took up to 47 s


@pytest.mark.parametrize("event", HOSTILE)
def test_a_file_of_events_without_end_is_refused_or_read_in_bounded_time(event):
    with pytest.raises(KitError, match="is larger than 250 kB; cut a phrase from it"):
        read_midi(running(event, 2**20), SLOTS)
    start = time.process_time()
    if len(event) == 3:
        phrase = read_midi(running(event, 250_000), SLOTS)
        assert len(phrase.events) == 20_000
        assert phrase.notes == ("played to 0 s only: a phrase holds 20000 strokes",)
    else:
        with pytest.raises(KitError, match="no stroke in it"):
            read_midi(running(event, 250_000), SLOTS)
    assert time.process_time() - start < READ_S


@pytest.mark.parametrize("data", [b"", b"RIFF" + bytes(40), b"MThd", midi([note(36, 0)])[:-9]])
def test_a_broken_midi_file_is_refused(data):
    with pytest.raises(KitError, match=r"is not a Standard MIDI File|the file is broken"):
        read_midi(data, SLOTS)


@given(st.binary(max_size=60), st.integers(0, 80))
@settings(max_examples=200, deadline=None)
def test_no_bytes_break_the_reader(noise, at):
    whole = midi([note(36, 0), note(38, 480)])
    data = whole[: min(at, len(whole))] + noise
    try:
        events = read_midi(data, SLOTS).events
    except KitError:
        return  # refused in our words; anything else fails the test
    assert events


def test_strokes_have_layer_round_robin_gain_and_choke_time():
    hits = {i: make_hit(i, loudness=-40.0 if i == 1 else -20.0) for i in (1, 2, 3)}
    hits |= {8: make_hit(8, "hat_open"), 9: make_hit(9, "hat_closed")}
    slots = {"snare": (2, 1, 3), "hat_open": (8,), "hat_closed": (9,)}
    kit = Kit(slots=slots, tuning_semitones={"snare": 1.0})
    events = [Event(0.0, "snare", 127), Event(1.0, "snare", 127), Event(2.0, "snare", 30),
              Event(2.0, "hat_open", 127), Event(3.0, "hat_closed", 127)]  # fmt: skip
    gain_db = {"snare": -3.0, "hat_open": 0.0, "hat_closed": 0.0}
    strokes = perform_phrase(kit, hits, Phrase("test", tuple(events)), gain_db=gain_db).strokes
    assert [(s.hit_id, s.layer, s.robin) for s in strokes[:3]] == [(2, 2, 1), (3, 2, 2), (1, 1, 1)]
    assert strokes[0].gain_db == pytest.approx(-3.0)
    assert strokes[2].gain_db < -3.0  # under the top of the weakest layer velocity turns down
    assert [s.tuning_semitones for s in strokes[:4]] == [1.0, 1.0, 1.0, 0.0]
    assert strokes[3].choke_s == pytest.approx(3 * 60 / TEMPO_BPM)
    assert strokes[4].choke_s is None

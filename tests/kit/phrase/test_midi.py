"""Any Standard MIDI File becomes a phrase: times by its tempo map, keys as the kit has them."""

import io

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.errors import KitError
from catalog.kit.model import Kit
from catalog.kit.phrase import (
    PHRASES,
    TEMPO_BPM,
    Event,
    Phrase,
    perform_phrase,
    phrase_midi,
    read_midi,
    select_phrase,
)
from catalog.kit.slots import DEFAULT_SLOTS
from tests.kit.drums import make_hit

SLOTS = ("kick", "snare")
TIME_S = 1e-3  # the files below count in ticks finer than that


def note(key: int, time: int, *, channel: int = 9, velocity: int = 100) -> mido.Message:
    return mido.Message("note_on", channel=channel, note=key, velocity=velocity, time=time)


def midi(*tracks: list, kind: int = 1, division: int = 480) -> bytes:
    out = io.BytesIO()
    file = mido.MidiFile(type=kind, ticks_per_beat=division)
    file.tracks.extend(mido.MidiTrack(track) for track in tracks)
    file.save(file=out)
    return out.getvalue()


def times_s(data: bytes) -> list[tuple[float, str]]:
    return [(e.beat * 60 / TEMPO_BPM, e.slot) for e in read_midi(data, SLOTS).events]


def test_a_written_phrase_reads_back():
    events = select_phrase("two bars", DEFAULT_SLOTS).events
    again = read_midi(phrase_midi(events), DEFAULT_SLOTS).events
    assert [(e.slot, e.velocity) for e in again] == [(e.slot, e.velocity) for e in events]
    assert [e.beat for e in again] == pytest.approx([e.beat for e in events], abs=0.01)


def test_a_change_of_tempo_in_another_track_counts():
    """By hand: two quarters at 120 a minute take 1 s, then two at 60 take 2 s."""
    tempo = [mido.MetaMessage("set_tempo", tempo=1_000_000, time=960)]
    data = midi(tempo, [note(36, 0), note(38, 960), note(36, 960)])
    assert times_s(data) == [
        (pytest.approx(t, abs=TIME_S), s) for t, s in [(0, "kick"), (1, "snare"), (3, "kick")]
    ]


def test_tracks_of_format_two_follow_one_another():
    data = midi([note(36, 480)], [note(38, 480)], kind=2)
    assert [t for t, _ in times_s(data)] == pytest.approx([0.5, 1.0], abs=TIME_S)


def test_a_division_in_video_frames_ignores_the_tempo():
    """RP-001: division E7 28 hex is 25 frames a second of 40 parts, a tick a millisecond."""
    data = bytearray(midi([mido.MetaMessage("set_tempo", tempo=100_000), note(36, 1500)]))
    data[12:14] = bytes([0xE7, 0x28])
    assert [t for t, _ in times_s(bytes(data))] == pytest.approx([1.5], abs=TIME_S)


def test_only_the_percussion_channel_is_read_if_the_file_uses_it():
    both = midi([note(36, 0, channel=0), note(38, 10)])
    assert [slot for _, slot in times_s(both)] == ["snare"]
    other = midi([note(36, 0, channel=3), note(38, 10, channel=3, velocity=0)])
    assert [slot for _, slot in times_s(other)] == ["kick"]


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


@pytest.mark.parametrize("data", [b"", b"RIFF" + bytes(40), b"MThd", midi([note(36, 0)])[:-9]])
def test_a_broken_midi_file_is_refused(data):
    with pytest.raises(KitError, match=r"is no Standard MIDI File|the file is broken"):
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


def test_every_phrase_is_reduced_to_the_kit_and_an_unknown_one_is_refused():
    for name in PHRASES:
        events = select_phrase(name, DEFAULT_SLOTS).events
        assert [e.beat for e in events] == sorted(e.beat for e in events)
        assert all(1 <= e.velocity <= 127 for e in events)
    assert {e.slot for e in select_phrase("ladder", ("shaker", "kick")).events} == {
        "shaker",
        "kick",
    }
    with pytest.raises(KitError, match="phrase='waltz' is not one of two bars"):
        select_phrase("waltz", DEFAULT_SLOTS)
    with pytest.raises(KitError, match="none of the slots that 'hats' is played on"):
        select_phrase("hats", ("cowbell",))


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

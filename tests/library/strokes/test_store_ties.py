"""Strokes with several microphones are stored: one hit stands for all of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from catalog.errors import ParameterError, StoreError
from catalog.library.store.stroke_microphones import MICROPHONES, OF_HITS, Microphones
from tests.signals import drum_stroke

SR = 48_000
N = 5  # strokes


def write(path: Path, samples: np.ndarray) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(encode_wav(samples.astype(np.float32)[:, None], sr=SR))


@pytest.fixture
def session(tmp_path):
    """Return a folder with five strokes of a snare, each through a close microphone and a room."""
    for number in range(1, N + 1):
        stroke = 0.1 * number * drum_stroke(190, seed=number)
        room = np.concatenate([np.zeros(480), 0.3 * stroke])
        write(tmp_path / "barn" / f"snare {number} close.wav", stroke)
        write(tmp_path / "barn" / f"snare {number} room.wav", room)
    return tmp_path / "barn"


@pytest.fixture
def cat(tmp_path, session):
    with Catalog.open(tmp_path / "store" / "drums.sqlite") as cat:
        cat.scan([session], n_jobs=1)
        yield cat


def test_a_stroke_is_one_hit_and_lists_its_microphones(cat):
    hits = cat.hits()
    assert [hit.name for hit in hits] == [f"snare {n} close" for n in range(1, N + 1)]
    assert [[mic.name for mic in hit.microphones] for hit in hits] == [["close", "room"]] * N
    close, room = hits[0].microphones
    assert (close.level_db, close.hit_id) == (0.0, hits[0].id)
    assert room.level_db == pytest.approx(20 * np.log10(0.3), abs=0.5)  # gain of the room, in dB
    assert len(cat.hits(microphones=True)) == 2 * N
    assert cat.hit(room.hit_id).stroke == hits[0].id


def test_searches_and_kits_count_a_stroke_once(cat):
    assert len(cat.context.table().hits) == N
    assert {match.hit.microphone for match in cat.alternates(cat.hits()[0].id)} == {"close"}
    assert {cat.hit(i).microphone for i in cat.fill_kit({}, ["snare"]).slots["snare"]} == {"close"}


def test_a_hit_with_annotations_keeps_its_id_and_stands_for_its_stroke(cat, session):
    room = cat.hits()[0].microphones[1].hit_id
    cat.annotations.mark([room], "master")
    cat.duplicates.choose_microphone(cat.hits()[1].microphones[1].hit_id)
    write(session / "snare 6 close.wav", drum_stroke(190, seed=9))
    cat.scan([session], n_jobs=1)
    assert (cat.hit(room).mark, cat.hit(room).stroke) == ("master", room)
    assert sorted(h.name for h in cat.hits() if h.microphone == "room") == [
        "snare 1 room", "snare 2 room"
    ]  # fmt: skip


def test_a_hit_in_a_saved_kit_stands_for_its_stroke(cat, session):
    close, room = (mic.hit_id for mic in cat.hits()[0].microphones)
    kit = cat.fill_kit({"snare": close}, ["snare"])
    cat.kits.save(type(kit)(slots={"snare": (room,)}), "evening")
    write(session / "snare 6 close.wav", drum_stroke(190, seed=9))
    cat.scan([session], n_jobs=1)
    assert cat.hit(close).stroke == room


def test_the_role_by_the_user_holds_for_all_microphones(cat):
    hit = cat.hits()[0]
    cat.set_role(hit.microphones[1].hit_id, "tom")
    assert {cat.hit(mic.hit_id).role for mic in hit.microphones} == {"tom"}


def test_setting_aside_a_stroke_moves_all_its_files_and_undo_returns_them(cat, session):
    hit = cat.hits()[0]
    events = cat.set_aside([hit.id], reason="test")
    assert [event.source.name for event in events] == ["snare 1 close.wav", "snare 1 room.wav"]
    assert len(cat.hits()) == N - 1
    cat.files.undo(everything=True)
    assert cat.hits()[0] == hit


def test_a_copy_of_one_microphone_is_found_and_the_whole_stroke_is_kept(cat, session):
    (session / "old room.wav").write_bytes((session / "snare 1 room.wav").read_bytes())
    cat.scan([session], n_jobs=1)
    copy = next(hit.id for hit in cat.hits() if hit.name == "old room")
    (group,) = [group for group in cat.copies() if copy in group.members]
    assert (group.keep, group.others) == (cat.hits()[0].id, (copy,))
    assert "2 microphones" in group.reason


def test_a_session_that_is_there_twice_counts_each_stroke_once(cat, session):
    for path in session.glob("*.wav"):
        write(session.with_name("again") / path.name, np.zeros(1))
        (session.with_name("again") / path.name).write_bytes(path.read_bytes())
    cat.scan([session, session.with_name("again")], n_jobs=1)
    groups = cat.copies()
    assert [len(group.others) for group in groups] == [1] * N
    assert {cat.hit(i).microphone for group in groups for i in group.members} == {"close"}


def test_a_stroke_half_of_which_is_there_twice_is_no_copy(cat, session):
    other = session.with_name("again")
    write(other / "snare 1 close.wav", np.zeros(1))
    (other / "snare 1 close.wav").write_bytes((session / "snare 1 close.wav").read_bytes())
    write(other / "snare 1 top.wav", drum_stroke(700, seed=77))
    cat.scan([session, other], n_jobs=1)
    assert len(cat.hits()) == N + 1
    assert cat.copies() == []


def test_only_a_microphone_of_several_can_be_chosen(cat, session):
    write(session / "cowbell.wav", drum_stroke(900, seed=5))
    cat.scan([session], n_jobs=1)
    alone = next(hit.id for hit in cat.hits() if hit.name == "cowbell")
    with pytest.raises(ParameterError, match="the only microphone of its stroke"):
        cat.duplicates.choose_microphone(alone)
    with pytest.raises(StoreError, match="not in this store"):
        cat.duplicates.choose_microphone(9999)


def test_only_the_microphones_of_the_wanted_strokes_are_read(cat):
    database, hit = cat.context.store.database, cat.hits()[2]
    ids = {mic.hit_id for mic in hit.microphones}
    for wanted in ids:
        assert Microphones(database).read([wanted]).keys() == ids
    plan = database.read(f"EXPLAIN QUERY PLAN {MICROPHONES}{OF_HITS}", (f"[{hit.id}]",))
    steps = [step for *_, step in plan]
    assert not any(step.startswith(("SCAN m", "SCAN h", "SCAN r")) for step in steps), steps
    assert not any("hit_state" in step for step in steps), steps


def test_microphones_are_read_again_only_where_their_rows_changed(cat):
    first, second = cat.hits()[:2]
    cat.takes.set_names([first.microphones[1].hit_id], microphone="corridor")
    after = {hit.id: hit for hit in cat.hits()}
    assert [mic.name for mic in after[first.id].microphones] == ["close", "corridor"]
    assert after[second.id] is second

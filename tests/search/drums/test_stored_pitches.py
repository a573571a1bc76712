"""Pitches of some drums against those that `estimate_drum_pitches` finds in the whole library."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from catalog import Catalog
from catalog.search.drums.drum_pitch import estimate_drum_pitches
from catalog.search.drums.stored_pitches import DrumPitches

LIBRARY = Path(__file__).parents[3] / "demo_library"
TONE_HZ = 87.3  # that a far microphone shows in strokes of every drum


@pytest.fixture
def cat(tmp_path: Path) -> Iterator[Catalog]:
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([LIBRARY / "for_mixing", LIBRARY / "Murrinholt barn 2022-11"])
        yield cat


def check_each_hit(cat: Catalog) -> None:
    hits, read = cat.hits(microphones=True), cat.context.store.database
    found = {hit.id: DrumPitches(read).of([hit]).get(hit.id) for hit in hits}
    whole = estimate_drum_pitches(hits)
    assert {hit_id: pitch for hit_id, pitch in found.items() if pitch} == whole != {}


def test_pitches_of_single_drums_are_those_of_the_whole_library(cat):
    check_each_hit(cat)
    with cat.context.store.database.writing() as db:
        db.execute("UPDATE hit SET drum = '' WHERE id % 5 = 0")
    check_each_hit(cat)


def test_a_tone_of_the_room_is_no_pitch_though_one_drum_is_read(cat):
    numbers = "json_set(descriptors, '$.mode_hz', ?, '$.mode_share', 0.6)"
    with cat.context.store.database.writing() as db:
        db.execute(f"UPDATE hit SET microphone = 'room', descriptors = {numbers}", (TONE_HZ,))
    check_each_hit(cat)
    in_barn = [hit for hit in cat.hits() if hit.session.startswith("Murrinholt")]
    found = DrumPitches(cat.context.store.database).of(in_barn)
    assert in_barn
    assert [found[hit.id] for hit in in_barn if hit.id in found] == []

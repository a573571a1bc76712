"""Hats of one pair, toms of one set and microphones of one kind are chosen together."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from catalog.features.production import PRODUCTION_NAMES
from catalog.kit.fill.fill import Pool, fill_kit
from catalog.kit.fill.together import name_register, number_instruments, order_toms
from tests.kit.drums import make_hit

P = len(PRODUCTION_NAMES)
HATS = {"hat_closed": "HH closed", "hat_pedal": "HH pedal", "hat_open": "HH open"}


def pool_of(parts, *, seed: int = 0) -> Pool:
    """Hits with random sound, so that only what belongs together can bring them together."""
    hits = tuple(make_hit(i, **part) for i, part in enumerate(parts))
    rows = np.random.default_rng(seed).normal(size=(len(hits), P))
    return Pool(hits, rows.astype(np.float32))


def sessions(pool: Pool, kit, slots) -> set[str]:
    hits = {hit.id: hit for hit in pool.hits}
    return {hits[kit.slots[slot][0]].session for slot in slots}


@pytest.mark.parametrize("seed", range(5))
def test_hats_come_from_one_pair_and_toms_from_one_set(seed):
    parts = [
        {"role": role, "drum": drum, "session": f"room {room}"}
        for room in range(6)
        for role, drum in HATS.items()
    ]
    parts += [
        {"role": "tom", "drum": f"T{n}", "session": f"room {room}", "body": 80.0 * 1.3**n}
        for room in range(6)
        for n in range(3)
    ]
    parts += [{"role": "kick", "session": f"room {room}"} for room in range(6)]
    pool = pool_of(parts, seed=seed)
    kit = fill_kit(pool, {"kick": 36 + seed % 6}, seed=seed)[0]
    assert len(sessions(pool, kit, HATS)) == 1
    assert len(sessions(pool, kit, ("tom_low", "tom_mid", "tom_high"))) == 1
    assert "the same cymbals" in kit.why["hat_open"][0]


def test_two_pairs_of_hats_of_one_session_differ_in_their_names():
    names = ["old hat open", "old hat closed", "new hat open", "old hat half open"]
    numbers = number_instruments([make_hit(0, session="a", drum=name) for name in names])
    assert numbers.tolist() == [0, 0, 1, 0]
    assert number_instruments([make_hit(0, session="a")]).tolist() == [-1]


@pytest.mark.parametrize("seed", range(8))
def test_the_low_tom_is_the_lowest_in_every_kit(seed):
    rng = np.random.default_rng(seed)
    parts = [{"role": "tom", "body": float(hz)} for hz in rng.uniform(60, 250, size=9)]
    pool = pool_of([*parts, {"role": "kick", "body": 50.0}], seed=seed)
    hits = {hit.id: hit for hit in pool.hits}
    for kit in fill_kit(pool, {"kick": 9}, seed=seed, n_best=3):
        pitches = [
            hits[kit.slots[slot][0]].descriptors["body_hz"]
            for slot in ("tom_low", "tom_mid", "tom_high")
            if slot in kit.slots
        ]
        assert pitches == sorted(pitches)


def test_toms_without_a_pitch_are_ordered_by_their_names():
    hits = [make_hit(i, "tom", drum=name) for i, name in enumerate(("hi tom", "floor tom", "mid"))]
    rows = {"tom_low": 0, "tom_mid": 1, "tom_high": 2}
    unknown = np.full(3, np.nan)
    ordered = order_toms(rows, pitch=unknown, hits=hits, free=tuple(rows))
    assert ordered == {"tom_low": 1, "tom_mid": 2, "tom_high": 0}
    assert name_register(make_hit(0, "tom", drum="tom 3")) is None


def test_one_kind_of_microphone_is_used_where_the_sound_allows_both():
    parts = [{"role": "kick", "microphone": "close"}]
    parts += [{"role": "snare", "microphone": m} for m in ("room", "close", "room", "close")]
    pool = Pool(tuple(make_hit(i, **p) for i, p in enumerate(parts)), np.ones((5, P), np.float32))
    kit = fill_kit(pool, {"kick": 0}, slots=["snare"])[0]
    assert pool.hits[kit.slots["snare"][0]].microphone == "close"


def test_strokes_of_one_tom_are_no_set():
    parts = [{"role": "tom", "drum": "T", "session": "a", "body": 90.0} for _ in range(5)]
    parts += [
        {"role": "tom", "drum": f"T{n}", "session": "b", "body": 80.0 * 1.3**n} for n in range(3)
    ]
    pool = pool_of([*parts, {"role": "kick", "session": "a", "body": 50.0}])
    kit = fill_kit(pool, {"kick": 8})[0]
    assert sessions(pool, kit, ("tom_low", "tom_mid", "tom_high")) == {"b"}


@pytest.mark.parametrize("seed", range(4))
def test_toms_of_one_note_are_no_set_whatever_their_names(seed):
    """The strokes of a drum at its edge and center may be named as two drums."""
    bodies = {"tom a": 90.0, "tom a edge": 92.0, "tom b": 120.0, "tom c": 160.0}
    parts = [
        {"role": "tom", "drum": drum, "session": "barn", "body": hz}
        for drum, hz in bodies.items()
        for _ in range(3)
    ]
    pool = pool_of([*parts, {"role": "kick", "session": "barn", "body": 50.0}], seed=seed)
    kit = fill_kit(pool, {"kick": 12}, seed=seed)[0]
    by_id = {hit.id: hit for hit in pool.hits}
    toms = [by_id[kit.slots[slot][0]] for slot in ("tom_low", "tom_mid", "tom_high")]
    pitches = [12 * np.log2(hit.descriptors["body_hz"]) for hit in toms]
    assert (np.diff(pitches) > 1.5).all()


def test_a_cymbal_stopped_by_hand_is_not_chosen_beside_a_free_one():
    """Named "choke", common practice, no source."""
    parts = [{"role": "crash", "path": Path(f"/x/crash {n} choke.wav")} for n in range(5)]
    parts += [{"role": "crash", "path": Path("/x/crash 6.wav")}, {"role": "kick"}]
    for seed in range(4):
        pool = pool_of(parts, seed=seed)
        assert fill_kit(pool, {"kick": 6}, slots=["crash"], seed=seed)[0].slots["crash"] == (5,)

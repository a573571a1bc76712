"""Options of `fill` and `swap` through the command line: sessions, wishes, warnings, numbers."""

from __future__ import annotations

import json

import pytest

from catalog import Catalog
from catalog.__main__ import main
from catalog.audio.encode import encode_wav
from tests.signals import SR, as_frames, drum_stroke

SOUNDS = {"kick": 55, "snare": 190, "tom floor": 80, "tom mid": 105, "tom hi": 140}


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    """Three sessions with a kick, a snare and three toms each."""
    root = tmp_path_factory.mktemp("drums")
    for number, session in enumerate(("barn", "loft", "shed")):
        folder = root / "recordings" / session
        folder.mkdir(parents=True)
        for place, (name, hz) in enumerate(SOUNDS.items()):
            stroke = drum_stroke(hz * 1.04**number, seed=10 * number + place)
            (folder / f"{name}.wav").write_bytes(encode_wav(as_frames(0.5 * stroke), sr=SR))
    store = root / "drums.sqlite"
    with Catalog.open(store) as cat:
        cat.scan([root / "recordings"], n_jobs=1)
        hits = {(hit.session, hit.name): hit for hit in cat.hits()}
    return store, hits


@pytest.fixture
def run(library, capsys):
    store, hits = library

    def call(*arguments):
        code = main([*map(str, arguments), "--store", str(store)])
        return code, *capsys.readouterr()

    def fill(*arguments):
        code, out, _ = call("fill", *arguments, "--json")
        assert code == 0
        by_id = {hit.id: hit for hit in hits.values()}
        return {slot: by_id[ids[0]] for slot, ids in json.loads(out)["slots"].items()}

    call.fill, call.hits = fill, hits
    return call


def sessions(kit):
    return {hit.session for hit in kit.values()}


def test_sessions_are_used_left_out_or_kept_to_one(run):
    (name,) = sessions(run.fill("--one-session"))
    assert len(run.fill("--one-session")) == 5
    others = {hit.session for hit in run.hits.values()} - {name}
    assert sessions(run.fill("--not-session", name)) <= others
    assert sessions(run.fill("--session", name)) == {name}
    assert run("fill", "--session", "nowhere")[0] != 0


def test_a_kit_has_hits_of_as_many_sessions_as_asked_for(run):
    assert len(sessions(run.fill("--least-sessions", 3))) == 3
    toms = {slot: hit for slot, hit in run.fill("--least-sessions", 3).items() if "tom" in slot}
    assert len(sessions(toms)) == 1


def test_the_toms_of_a_kit_are_in_order(run):
    kit = run.fill()
    words = [kit[slot].name.split()[1] for slot in ("tom_low", "tom_mid", "tom_high")]
    assert words == ["floor", "mid", "hi"]


def test_warnings_name_another_role_two_locks_that_conflict_and_empty_slots(run):
    by_name = {name: hit for (session, name), hit in run.hits.items() if session.endswith("barn")}
    locked = [f"snare={by_name['kick'].id}", f"tom_low={by_name['tom hi'].id}"]
    _, _, err = run("fill", *locked, f"tom_high={by_name['tom floor'].id}")
    assert "plays another role, kick" in err
    assert "wrong order of pitch" in err
    assert "crash: stays empty, no hit of role crash" in err


def test_a_hit_is_swapped_for_a_certain_one_or_by_a_wish_that_is_the_first_reason(run):
    run("fill", "--save", "demo", "--slots", "kick,snare", "--yes")
    kick = next(hit for hit in run.hits.values() if hit.name == "kick")
    run("swap", "demo", "kick", kick.id)
    others = [hit for hit in run.hits.values() if hit.name == "kick" and hit.id != kick.id]
    wish = max(others, key=lambda hit: hit.descriptors["centroid_hz"])
    ratio = wish.descriptors["centroid_hz"] / kick.descriptors["centroid_hz"]
    assert abs(ratio - 1) > 0.001
    text = f"centroid_hz={100 * (ratio - 1):+.2f}%"
    code, out, _ = run("swap", "demo", "kick", "--but", text, "--json")
    kit = json.loads(out)
    chosen = next(hit for hit in run.hits.values() if hit.id == kit["slots"]["kick"][0])
    change = chosen.descriptors["centroid_hz"] / kick.descriptors["centroid_hz"] - 1
    assert change * (ratio - 1) > 0
    word = "brighter" if ratio > 1 else "darker"
    assert kit["why"]["kick"][0] == f"{word}, as you wished, than kick"
    code, _, err = run("swap", "demo", "kick", "--but", "centroid_hz=+900%")
    assert code != 0
    assert "no hit that is" in err


def test_numbers_are_printed_on_request_only(run):
    assert "dB" not in run("fill")[1]
    assert "than the others" in run("fill", "--numbers")[1]


def test_most_layers_is_at_least_one(run):
    kit = run.fill("--most-layers", 1)
    assert kit == run.fill("--layers")  # each drum has one stroke
    with pytest.raises(SystemExit):
        run("fill", "--most-layers", 0)

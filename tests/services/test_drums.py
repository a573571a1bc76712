"""Suggested drums of a catalog: listed, named in part, refused, undone; what naming teaches."""

from __future__ import annotations

import numpy as np
import pytest

from catalog import Catalog, ParameterError
from catalog.__main__ import main
from catalog.audio.encode import encode_wav
from catalog.search.coordinates import projection_version
from catalog.search.drums.drum_space import N_AXES
from catalog.search.drums.known_drums import PART, read_drum_space, read_known_drums
from tests.signals import as_frames, drum_stroke

SR = 16_000  # Hz; low, so that measuring is quick
N_STROKES = 6


@pytest.fixture(scope="module")
def scanned(tmp_path_factory):
    """Recordings of a recorder, numbered: eight drums in turn, eight strokes each."""
    root = tmp_path_factory.mktemp("drums")
    (root / "attic").mkdir()
    for at in range(8 * N_STROKES):
        drum, number = divmod(at, N_STROKES)
        rng = np.random.default_rng(at)
        y = drum_stroke(70 * 1.3**drum, seed=drum, sr=SR, strength=0.6 + 0.05 * number)
        y = y + 0.002 * rng.normal(size=len(y)).astype(np.float32)
        path = root / "attic" / f"REC{at:04}.wav"
        path.write_bytes(encode_wav(as_frames(y), sr=SR))
    with Catalog.open(root / "drums.sqlite") as cat:
        cat.scan([root / "attic"], n_jobs=1)
    return root / "drums.sqlite"


@pytest.fixture
def cat(scanned):
    with Catalog.open(scanned) as opened:
        yield opened
        opened.takes.set_names([hit.id for hit in opened.hits()], drum="", damping="")
        opened.context.store.database.save_setting("drums_refused", [])


def numbers(cat, group):
    return {(int(cat.hit(i).name[3:]) // N_STROKES) for i in group.hit_ids}


def test_most_drums_are_suggested_and_each_group_is_of_one_drum(cat):
    found = cat.drums.groups()
    assert len(found) >= 6
    assert all(len(numbers(cat, group)) == 1 for group in found)


def test_a_part_of_a_group_is_named_and_the_rest_stays(cat):
    group = cat.drums.groups()[0]
    named = cat.drums.name(group.hit_ids[1:], " Snare,  cloth ", damping="damped")
    assert {hit.drum for hit in named} == {"Snare, cloth"}
    assert {hit.names["damping"] for hit in named} == {"damped"}
    assert not any(set(named_ids(named)) & set(g.hit_ids) for g in cat.drums.groups())
    known = read_known_drums(cat.context.store)
    assert {known[hit.id][1] for hit in named} == {"Snare, cloth"}
    cat.undo()
    assert cat.drums.groups()[0] == group


def named_ids(hits):
    return [hit.id for hit in hits]


def test_a_refused_group_is_not_suggested_until_that_is_undone(cat):
    group = cat.drums.groups()[0]
    cat.drums.refuse(group.hit_ids)
    assert group not in cat.drums.groups()
    with pytest.raises(ParameterError, match="in no suggested group"):
        cat.drums.group_of(group.hit_ids[0])
    cat.undo()
    assert cat.drums.group_of(group.hit_ids[0]) == group


def test_an_empty_name_is_refused(cat):
    with pytest.raises(ParameterError, match="name of the drum is empty"):
        cat.drums.name(cat.drums.groups()[0].hit_ids, "  ")


def test_named_drums_teach_the_space_that_alternates_use(cat):
    assert read_drum_space(cat.context.store) is None
    hits = cat.hits()
    for drum in range(8):
        ids = [hit.id for hit in hits if int(hit.name[3:]) // N_STROKES == drum]
        cat.takes.set_names(ids, drum=f"drum {drum}")
    store = cat.context.store
    learned = store.learned.read(PART, projection_version())
    assert learned.values["revision"] == store.revision()
    assert learned.values["n_drums"] == 8
    assert learned.points.shape[1] == N_AXES
    assert store.learned.read(PART, projection_version() + 1) is None
    assert cat.context.drum_spaces(cat.context.table()).strokes.shape[1] == N_AXES
    # The strokes of a made drum differ in level and noise only, so that they are copies.
    found = cat.search.alternates(hits[0].id, N_STROKES - 1, copies=True)
    drums = [match.hit.drum for match in found]
    assert drums == ["drum 0"] * (N_STROKES - 1)


def test_the_command_line_lists_names_and_refuses_groups(cat, scanned, capsys):
    group = cat.drums.groups()[0]
    store, hit = ["--store", str(scanned)], str(group.hit_ids[0])

    def run(*words):
        code = main(["drums", *words, *store])
        captured = capsys.readouterr()
        return code, captured.out + captured.err

    n = len(group.hit_ids)
    assert f"{n} hits look like one drum (" in run()[1]
    assert run(hit)[1].count("REC") == n
    code, text = run(hit, "--name", "Oak", "--without", str(group.hit_ids[1]))
    assert code == 0
    assert text.count("Oak") == n - 1
    cat.undo()
    assert "are not one drum" in run(hit, "--not")[1]
    cat.undo()
    for words in (["--not"], [hit, "--not", "--name", "a"], [hit, "--damping", "open"],
                  [hit, "--name", "a", "--without", "404"]):  # fmt: skip
        assert run(*words)[0] != 0

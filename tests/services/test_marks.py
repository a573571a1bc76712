"""What is marked no good is left out of searches, kits and exports; masters come first."""

from __future__ import annotations

import shutil

import pytest

from catalog import Catalog, KitError
from catalog.audio.encode import encode_wav
from catalog.kit.export import ExportOptions
from catalog.kit.layers import strokes_of_drum
from catalog.kit.model import Kit
from tests.signals import SR, as_frames, drum_stroke


@pytest.fixture
def cat(tmp_path):
    """Four strokes of a kick, the fourth a copy of the third, and two of a snare."""
    root = tmp_path / "barn"
    root.mkdir()
    hz = {"kick_01": 60, "kick_02": 62, "kick_03": 64, "snare_01": 190, "snare_02": 195}
    for seed, (name, pitch) in enumerate(hz.items()):
        data = encode_wav(as_frames(drum_stroke(pitch, seed=seed)), sr=SR, subtype="PCM_16")
        (root / f"{name}.wav").write_bytes(data)
    shutil.copyfile(root / "kick_03.wav", root / "kick_04.wav")
    with Catalog.open(tmp_path / "drums.sqlite") as opened:
        opened.scan([root], n_jobs=1)
        yield opened


def ids_by_name(cat) -> dict[str, int]:
    return {hit.name: hit.id for hit in cat.hits()}


def test_a_hit_marked_no_good_is_found_only_if_that_is_asked_for(cat):
    ids = ids_by_name(cat)
    cat.annotations.mark([ids["kick_02"]], "no-good")
    for search in (cat.alternates, cat.similar):
        found = [match.hit_id for match in search(ids["kick_01"])]
        assert ids["kick_02"] not in found
        assert len(found) == 3  # the copy is not listed beside its recording
        assert ids["kick_02"] in [m.hit_id for m in search(ids["kick_01"], no_good=True)]
    assert len(cat.alternates(ids["kick_02"])) == 4  # it can be searched from


def test_of_two_equal_hits_the_master_comes_first(cat):
    ids = ids_by_name(cat)
    twins = [ids["kick_03"], ids["kick_04"]]
    for first, second in (twins, reversed(twins)):
        cat.annotations.mark([first], "master")
        cat.annotations.mark([second], "")
        for search in (cat.search.alternates, cat.search.similar):
            found = search(ids["kick_01"], copies=True)
            order = [m.hit_id for m in found if m.hit_id in twins]
            assert order == [first, second]
        kit = cat.fill_kit({"snare": ids["snare_01"], "tom_low": ids["snare_02"]}, ["kick"])
        assert kit.slots["kick"] != (second,)


def test_kits_and_layers_leave_out_what_is_no_good(cat):
    ids = ids_by_name(cat)
    kicks = [ids[f"kick_0{n}"] for n in (1, 2, 3, 4)]
    cat.annotations.mark(kicks[1:], "no-good")
    kit = cat.fill_kit({"snare": ids["snare_01"]}, ["kick"])
    assert kit.slots["kick"] == (kicks[0],)
    with pytest.raises(KitError, match="no other hit"):
        cat.kits.swap(kit, "kick")
    locked = cat.fill_kit({"kick": kicks[1]}, ["snare"])  # a hit that was asked for stays
    assert locked.slots["kick"] == (kicks[1],)
    hits = [cat.hit(i) for i in kicks]
    assert [hit.id for hit in strokes_of_drum(hits[0], hits)] == [kicks[0]]
    cat.annotations.mark(kicks, "no-good")
    with pytest.raises(KitError, match="cannot be filled"):
        cat.fill_kit({"snare": ids["snare_01"]}, ["kick"])
    kit = cat.kits.fill({"snare": ids["snare_01"]}, ["kick"], no_good=True)
    assert kit.slots["kick"][0] in kicks


def test_an_export_with_a_hit_marked_no_good_is_refused_unless_asked_for(cat, tmp_path):
    ids = ids_by_name(cat)
    kit = Kit("evening", {"kick": (ids["kick_01"], ids["kick_02"])})
    cat.annotations.mark([ids["kick_02"]], "no-good")
    (line,) = cat.kits.plan_export(kit, tmp_path / "out").refusals
    assert line.startswith(f"slot kick: hit {ids['kick_02']} (kick_02) is marked no good")
    with pytest.raises(KitError, match="is marked no good; take another hit"):
        cat.export_kit(kit, tmp_path / "out")
    assert not (tmp_path / "out").exists()
    written = cat.export_kit(kit, tmp_path / "out", ExportOptions(no_good=True))
    assert sum(path.parent.name == "hits" for path in written) == 2

"""The whole tool on a small library: scan, search, copies, set aside, map, kit, export."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest

import catalog
from catalog import Catalog, KitError, ParameterError, StoreError
from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_wav
from catalog.kit.model import Kit
from tests.signals import SR, as_frames, decaying_noise, drum_stroke

SLOTS = ["snare", "hat_closed"]


def tree_hash(folder) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


@pytest.fixture
def folder(tmp_path):
    """Two sittings with three drums of three strokes each, and one copy."""
    root = tmp_path / "drums"
    for at, sitting in enumerate(("barn in may", "attic in june")):
        for number in range(3):
            sounds = {
                "kick": drum_stroke(55 + 9 * at, seed=10 * at + number),
                "snare": drum_stroke(190 + 30 * at, seed=10 * at + number + 50),
                "hat closed": decaying_noise(0.06 + 0.02 * at, seed=10 * at + number),
            }
            for name, y in sounds.items():
                path = root / sitting / f"{name} {number + 1}.wav"
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(encode_wav(as_frames(y), sr=SR))
    copied = decode_file(root / "barn in may" / "snare 2.wav").samples
    (root / "exports").mkdir()
    (root / "exports" / "louder.wav").write_bytes(encode_wav(1.5 * copied, sr=SR, subtype="PCM_16"))
    (root / "notes.wav").write_text("bring more felt next time")
    return root


@pytest.fixture
def cat(folder, tmp_path):
    with Catalog.open(tmp_path / "store.sqlite") as opened:
        opened.scan([folder], n_jobs=1)
        yield opened


def named(cat, name, session=""):
    return next(h for h in cat.hits() if h.name == name and session in h.session)


def test_a_scan_reports_its_files_and_a_second_one_finds_nothing_new(folder, tmp_path):
    with Catalog.open(tmp_path / "s.sqlite") as cat:
        first = cat.scan([folder], n_jobs=1)
        second = cat.scan([folder], n_jobs=1)
    assert len(first.added) == 19
    assert [path.name for path, reason in first.skipped if reason] == ["notes.wav"]
    assert (len(second.added), len(second.changed), len(second.unchanged)) == (0, 0, 19)
    assert [path.name for path, _ in second.skipped] == ["notes.wav"]


def test_roles_and_sessions_come_from_names_and_folders(cat):
    hit = named(cat, "hat closed 2", "attic")
    assert (hit.role, hit.session) == ("hat_closed", "attic in june")


def test_the_first_alternates_are_the_other_strokes_of_the_drum(cat):
    for name in ("kick", "snare", "hat closed"):
        hit = named(cat, f"{name} 1", "barn")
        found = [cat.hit(m.hit_id) for m in cat.alternates(hit.id, n=2)]
        for other in found:
            assert other.session in ("barn in may", "exports")
            assert other.name.startswith(name) or other.name == "louder"


def test_all_others_are_ranked_when_no_number_is_given(cat):
    hit = cat.hits()[0]
    found = cat.alternates(hit.id)
    assert sorted(m.hit_id for m in found) == [h.id for h in cat.hits()[1:]]
    assert [m.distance for m in found] == sorted(m.distance for m in found)


def test_similar_hits_can_be_limited_to_other_sessions_and_one_role(cat):
    hit = named(cat, "kick 1", "barn")
    found = [cat.hit(m.hit_id) for m in cat.similar(hit.id, elsewhere=True, role="kick")]
    assert {h.name for h in found} == {"kick 1", "kick 2", "kick 3"}
    assert {h.session for h in found} == {"attic in june"}


def test_reasons_name_the_other_session(cat):
    here, there = named(cat, "hat closed 1", "barn"), named(cat, "hat closed 1", "attic")
    assert cat.reasons(here.id, there.id)[-1] == "from attic in june"


@pytest.mark.parametrize("question", ["alternates", "similar"])
def test_an_unknown_hit_is_an_error(cat, question):
    with pytest.raises(StoreError, match="9999"):
        getattr(cat, question)(9999)
    with pytest.raises(ParameterError, match="at least 1"):
        getattr(cat, question)(cat.hits()[0].id, n=0)


def test_an_unknown_role_is_refused(cat):
    with pytest.raises(ParameterError, match="triangel"):
        cat.similar(cat.hits()[0].id, role="triangel")
    with pytest.raises(ParameterError, match="triangel"):
        cat.set_role(cat.hits()[0].id, "triangel")


def test_a_role_set_by_the_user_stays_and_propagates_to_similar_hits(folder, tmp_path):
    for at, path in enumerate(sorted(folder.rglob("*.wav"))):
        path.rename(path.with_name(f"{at:03}.wav"))  # the names no longer indicate a role
    with Catalog.open(tmp_path / "s.sqlite") as cat:
        cat.scan([folder], n_jobs=1)
        hit = cat.hits()[0]
        sibling = cat.hit(cat.alternates(hit.id, n=1)[0].hit_id)
        cat.set_role(hit.id, "cowbell")
        assert (cat.hit(hit.id).role, cat.hit(hit.id).role_confidence) == ("cowbell", 1.0)
        assert (cat.hit(sibling.id).role, cat.hit(sibling.id).role_source) == ("cowbell", "example")
        cat.scan([folder], n_jobs=1)
        assert cat.hit(hit.id).role == "cowbell"
        answer = cat.set_role(hit.id, "wood")
        assert cat.hit(sibling.id).role == "wood"
        assert (sibling.id, "cowbell", "wood") in answer.followed
        assert hit.id not in {shift.hit_id for shift in answer.followed}


def test_a_role_set_by_the_user_never_changes_another_one_that_the_user_set(folder, tmp_path):
    for at, path in enumerate(sorted(folder.rglob("*.wav"))):
        path.rename(path.with_name(f"{at:03}.wav"))
    with Catalog.open(tmp_path / "s.sqlite") as cat:
        cat.scan([folder], n_jobs=1)
        hit = cat.hits()[0]
        near = [match.hit_id for match in cat.alternates(hit.id, n=3)]
        cat.set_role(near[0], "cowbell")
        cat.annotations.set_role([hit.id, *near[1:]], "wood")
        assert cat.hit(near[0]).role == "cowbell"
        assert {cat.hit(i).role for i in near[1:]} == {"wood"}


def test_repeated_searches_find_the_same_copies(cat):
    groups = cat.copies()
    kept = [(cat.hit(g.keep).name, [cat.hit(o).name for o in g.others]) for g in groups]
    assert kept == [("snare 2", ["louder"])]
    assert "24-bit" in groups[0].reason
    assert cat.copies() == groups


def test_setting_aside_and_restoring_leaves_every_byte_as_it_was(cat, folder):
    before = tree_hash(folder)
    other = cat.copies()[0].others[0]
    cat.set_aside([other], reason="copy")
    assert "exports/louder.wav" not in tree_hash(folder)
    assert cat.copies() == []
    assert other not in [h.id for h in cat.hits()]
    cat.restore([other])
    assert tree_hash(folder) == before
    assert [e.action for e in cat.history()] == ["set aside", "restore"]
    assert [g.others for g in cat.copies()] == [(other,)]


def test_a_hit_set_aside_is_not_searched_from(cat):
    other = cat.copies()[0].others[0]
    cat.set_aside([other], reason="copy")
    with pytest.raises(ParameterError, match="aside"):
        cat.alternates(other)


def test_every_hit_keeps_its_map_position_when_new_hits_are_scanned(cat, folder):
    assert cat.map.layout().kind == "pca"
    reports = []
    computed = cat.map.compute(seed=3, on_progress=reports.append)
    assert [(report.step, report.done, report.total) for report in reports[-2:]] == [
        ("laying out", 0, 1), ("laying out", 1, 1)
    ]  # fmt: skip
    data = encode_wav(as_frames(drum_stroke(55, seed=99)), sr=SR)
    (folder / "barn in may" / "kick 9.wav").write_bytes(data)
    cat.scan([folder], n_jobs=1)
    layout = cat.map.layout()
    assert layout.kind == "placed"
    assert np.array_equal(layout.xy[: len(computed.xy)], computed.xy)
    assert len(layout.xy) == len(computed.xy) + 1
    version = cat.map.version()
    assert np.array_equal(cat.map.layout().xy, layout.xy)
    assert cat.map.version() == version  # the position of the new hit was stored


def test_a_kit_with_a_locked_hit_is_filled_saved_and_exported(cat, tmp_path):
    kick = named(cat, "kick 1", "barn")
    kit = cat.fill_kit({"kick": kick.id}, slots=SLOTS)
    assert kit.slots["kick"][0] == kick.id
    assert set(kit.slots) == {"kick", *SLOTS}
    assert [cat.hit(kit.slots[s][0]).role for s in SLOTS] == SLOTS
    cat.kits.save(kit, "evening")
    with pytest.raises(KitError, match=r"'evening' already .* replace_saved=True \(--yes\)"):
        cat.kits.save(Kit(slots={"kick": (kick.id,)}), "evening")
    assert [(k.name, dict(k.slots)) for k in cat.kits.saved()] == [("evening", dict(kit.slots))]
    assert cat.kits.save(kit, "evening", replace_saved=True) > 0
    files = cat.export_kit(cat.kits.add_layers(kit), tmp_path / "evening")
    names = {p.name for p in files}
    assert {"kit.sfz", "manifest.json", "manifest.csv"} <= names
    assert all(p.exists() for p in files)
    with pytest.raises(KitError, match="exists"):
        cat.export_kit(kit, tmp_path / "evening")


def test_playback_audio_holds_the_stroke_and_never_exceeds_full_scale(tmp_path):
    folder = tmp_path / "hot"
    folder.mkdir()
    loud = 4.0 * drum_stroke(60) / np.abs(drum_stroke(60)).max()
    (folder / "kick.wav").write_bytes(encode_wav(as_frames(loud), sr=SR, subtype="FLOAT"))
    with Catalog.open(tmp_path / "s.sqlite") as cat:
        cat.scan([folder], n_jobs=1)
        hit = cat.hits()[0]
        (tmp_path / "played.wav").write_bytes(cat.wav(hit.id))
        assert np.abs(cat.audio(hit.id).samples).max() == pytest.approx(4.0)
    played = decode_file(tmp_path / "played.wav")
    assert np.abs(played.samples).max() == pytest.approx(1.0, abs=1e-3)
    assert len(played.samples) == hit.stop - hit.start


def test_every_public_name_is_there():
    for name in catalog.__all__:
        assert getattr(catalog, name) is not None
    with pytest.raises(AttributeError, match="attribute nothing"):
        catalog.nothing  # noqa: B018


def test_a_copy_that_is_in_the_kit_brings_no_twin_of_itself_as_a_layer(cat):
    group = cat.copies()[0]
    kit = cat.fill_kit({"snare": group.others[0]}, slots=["kick"])
    layered = cat.kits.add_layers(kit)
    assert group.others[0] in layered.slots["snare"]
    assert group.keep not in layered.slots["snare"]


def test_a_swap_in_a_kit_with_layers_has_layers_again(cat):
    kit = cat.kits.add_layers(cat.fill_kit({}, slots=["kick", *SLOTS]))
    assert len(kit.slots["hat_closed"]) > 1
    swapped = cat.kits.swap(kit, "hat_closed")
    assert swapped.slots["hat_closed"][0] != kit.slots["hat_closed"][0]
    assert swapped.slots["kick"] == kit.slots["kick"]
    assert len(swapped.slots["hat_closed"]) > 1


def test_a_mono_file_is_as_loud_as_the_same_on_both_sides_when_played(tmp_path):
    folder = tmp_path / "two"
    folder.mkdir()
    for n in (1, 2):
        (folder / f"{n}.wav").write_bytes(encode_wav(as_frames(drum_stroke(90), n), sr=SR))
    with Catalog.open(tmp_path / "s.sqlite") as cat:
        cat.scan([folder], n_jobs=1)
        mono, stereo = cat.hits()
    assert mono.played_lkfs == pytest.approx(stereo.played_lkfs, abs=0.02)


def test_a_recording_that_changed_since_the_scan_is_not_written_under_its_old_hash(cat, tmp_path):
    kit = cat.fill_kit({}, slots=["kick"])
    path = cat.hit(kit.slots["kick"][0]).path
    path.write_bytes(encode_wav(as_frames(drum_stroke(61, seed=77)), sr=SR))
    with pytest.raises(KitError, match="changed since it was scanned"):
        cat.export_kit(kit, tmp_path / "k")
    assert not (tmp_path / "k").exists()

"""Two mono files that are left and right of one recording are one stereo hit."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest

from catalog import AudioError, Catalog, ParameterError, StoreError
from catalog.__main__ import main
from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_wav
from catalog.audio.metadata.bext import insert_bext
from catalog.library.scan.stereo_pairs import left_of
from tests.signals import as_frames, drum_stroke

SR = 16_000  # Hz; low, so that measuring is quick
N_WIDE = 2  # channels of a pair
PAIRS = {
    ("Snare 01 L.wav", "Snare 01 R.wav"): "Snare 01",
    ("snare_01_left.wav", "snare_01_right.wav"): "snare_01",
    ("3-Snare-OHL.wav", "3-Snare-OHR.wav"): "3-Snare-OH",
    ("Kick room-L_07.wav", "Kick room-R_07.wav"): "Kick room-_07",
    ("Crash.L.wav", "Crash.R.wav"): "Crash",
    ("Snare 01 (L).wav", "Snare 01 (R).wav"): "Snare 01",
    ("take 3 OH1.wav", "take 3 OH2.wav"): "take 3 OH1",
    ("take 3 PairL.wav", "take 3 PairR.wav"): "take 3 Pair",
    ("L overhead 2.wav", "R overhead 2.wav"): "overhead 2",
    ("L snare 01.wav", "R snare 01.wav"): "snare 01",
}


def stereo(seed, *, n=None):
    """Return a wide stroke: a part common to both channels, and a part of each."""
    both = [drum_stroke(170, seed=seed + side, sr=SR) for side in range(N_WIDE)]
    mixed = np.stack([both[0] + 0.3 * both[1], 0.4 * both[0] + 0.8 * both[1]], axis=1) / 2
    return mixed[:n].astype(np.float32)


def write_pair(folder, left, right, samples):
    folder.mkdir(parents=True, exist_ok=True)
    for name, channel in zip((left, right), samples.T, strict=True):
        (folder / name).write_bytes(encode_wav(channel[:, None], sr=SR))


@pytest.fixture
def folder(tmp_path):
    root = tmp_path / "recordings"
    write_pair(root / "Shed", "snare_01_L.wav", "snare_01_R.wav", stereo(1))
    (root / "Mill").mkdir()
    (root / "Mill" / "snare_01.wav").write_bytes(encode_wav(stereo(1), sr=SR))
    return root


@pytest.fixture
def cat(folder, tmp_path):
    with Catalog.open(tmp_path / "drums.sqlite") as opened:
        opened.scan([folder], n_jobs=1)
        yield opened


def by_folder(cat):
    return {hit.path.parent.name: hit for hit in cat.hits()}


def the_pair(cat):
    (pair,) = cat.takes.stereo_pairs()
    return pair


@pytest.mark.parametrize(("left", "right"), PAIRS)
def test_names_of_left_and_right_channels(left, right):
    assert left_of(f"/day/{right}") == f"/day/{left}"
    assert left_of(f"/day/{left}") is None


@pytest.mark.parametrize(
    ("left", "right"),
    [
        ("Crash L.wav", "Crash R.wav"),  # the cymbal on the left: another drum
        ("Tom_left.wav", "Tom_right.wav"),
        ("KdrumL.wav", "KdrumR.wav"),  # two drums of a double kick, or two microphones
        ("Snare 01 L.wav", "Snare 01 right.wav"),
        ("Snare 01 L.wav", "Snare 02 R.wav"),
        ("Snare 01 L.wav", "Snare 01 R.flac"),
        ("roll.wav", "bell.wav"),
        ("Snare hand L.wav", "Snare hand R.wav"),  # of the drummer
    ],
)
def test_names_that_mark_no_channel(left, right):
    assert left_of(f"/day/{right}") != f"/day/{left}"


@pytest.mark.parametrize(("names", "expected"), PAIRS.items())
def test_a_pair_is_one_hit_of_one_name(tmp_path, names, expected):
    write_pair(tmp_path / "day", *names, stereo(2))
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        report = cat.scan([tmp_path / "day"], n_jobs=1)
        (hit,) = cat.hits()
        assert len(report.added) == 1
        assert (hit.n_channels, hit.name) == (N_WIDE, expected)
        assert [file.name for file in hit.files] == list(names)


def test_a_pair_has_the_samples_and_measurements_of_the_stereo_file(cat):
    hits = by_folder(cat)
    pair, whole = hits["Shed"], hits["Mill"]
    assert pair.descriptors == whole.descriptors
    assert (pair.start, pair.stop, pair.role) == (whole.start, whole.stop, whole.role)
    np.testing.assert_array_equal(cat.audio(pair.id).samples, cat.audio(whole.id).samples)
    np.testing.assert_array_equal(cat.takes.waveform(pair.id), cat.takes.waveform(whole.id))
    assert cat.takes.n_frames(pair.id) == cat.takes.n_frames(whole.id)
    assert cat.wav(pair.id) == cat.wav(whole.id)
    (group,) = cat.copies()
    assert {group.keep, *group.others} == {pair.id, whole.id}


def test_a_pair_is_unchanged_in_the_next_scan(cat, folder):
    before = the_pair(cat)
    report = cat.scan([folder], n_jobs=1)
    assert len(report.unchanged) == len(cat.hits()) == 2
    assert the_pair(cat) == before


def test_a_moved_pair_keeps_its_id(cat, folder):
    before = the_pair(cat)
    cat.annotations.mark([before.id], "master")
    (folder / "Shed").rename(folder / "Barn")
    report = cat.scan([folder], n_jobs=1)
    after = the_pair(cat)
    assert len(report.moved) == 1
    assert (after.id, after.mark) == (before.id, "master")
    assert [file.parent.name for file in after.files] == ["Barn", "Barn"]


def test_a_pair_with_a_changed_side_is_measured_again(cat, folder):
    before = the_pair(cat)
    softer = as_frames(drum_stroke(240, seed=8, sr=SR, strength=0.5))
    (folder / "Shed" / "snare_01_R.wav").write_bytes(encode_wav(softer, sr=SR))
    report = cat.scan([folder], n_jobs=1)
    after = the_pair(cat)
    assert [path.name for path in report.changed] == ["snare_01_L.wav"]
    assert after.id == before.id
    assert after.descriptors != before.descriptors


def test_a_broken_side_is_reported_until_it_is_repaired(cat, folder):
    before = the_pair(cat)
    right = folder / "Shed" / "snare_01_R.wav"
    whole = right.read_bytes()
    right.write_bytes(whole[:1000])
    report = cat.scan([folder], n_jobs=1)
    assert [skip.path.name for skip in report.skipped] == ["snare_01_R.wav"]
    assert cat.hit(before.id).n_channels == 1
    right.write_bytes(whole)
    cat.scan([folder], n_jobs=1)
    assert the_pair(cat).content_hash == before.content_hash


def test_a_side_that_cannot_be_decoded_is_named(cat, folder):
    spoiled = stereo(1)
    spoiled[5, 1] = np.nan
    for name, channel in zip(("snare_01_L.wav", "snare_01_R.wav"), spoiled.T, strict=True):
        data = encode_wav(channel[:, None], sr=SR, subtype="FLOAT")
        (folder / "Shed" / name).write_bytes(data)
    report = cat.scan([folder], n_jobs=1)
    assert [skip.path.name for skip in report.skipped] == ["snare_01_L.wav"]
    assert "its right side snare_01_R.wav holds values" in report.skipped[0].reason


def test_sides_that_no_longer_match_are_separate_hits(cat, folder):
    before = the_pair(cat)
    (folder / "Shed" / "snare_01_R.wav").write_bytes(encode_wav(stereo(1, n=9000)[:, 1:], sr=SR))
    report = cat.scan([folder], n_jobs=1)
    assert cat.takes.stereo_pairs() == []
    assert [path.name for path in report.added] == ["snare_01_R.wav"]
    assert cat.hit(before.id).n_channels == 1


@pytest.mark.parametrize(("gone", "left"), [("R", "snare_01_L.wav"), ("L", "snare_01_R.wav")])
def test_without_one_side_the_other_is_a_mono_hit(cat, folder, gone, left):
    before = the_pair(cat)
    (folder / "Shed" / f"snare_01_{gone}.wav").unlink()
    cat.scan([folder], n_jobs=1)
    hit = by_folder(cat)["Shed"]
    assert (hit.path.name, hit.mate, hit.n_channels, hit.state) == (left, None, 1, "here")
    assert (cat.hit(before.id).state == "here") == (hit.id == before.id) == (gone == "R")
    assert cat.takes.stereo_pairs() == []


@pytest.mark.parametrize("fault", ["length", "rate", "width", "channels", "time", "broken"])
def test_files_that_do_not_match_are_not_joined(tmp_path, fault):
    samples = stereo(3)
    write_pair(tmp_path / "day", "snare_01_L.wav", "snare_01_R.wav", samples)
    right = samples[:, 1:]
    data = {
        "length": encode_wav(right[:-1], sr=SR),
        "rate": encode_wav(right, sr=2 * SR),
        "width": encode_wav(right, sr=SR, subtype="PCM_16"),
        "channels": encode_wav(samples, sr=SR),
        "time": insert_bext(
            encode_wav(right, sr=SR), description="", origin={"time_reference": "9"}, sr=SR, start=0
        ),
        "broken": b"RIFF",
    }
    (tmp_path / "day" / "snare_01_R.wav").write_bytes(data[fault])
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        report = cat.scan([tmp_path / "day"], n_jobs=1)
        assert cat.takes.stereo_pairs() == []
        assert len(report.added) + len(report.skipped) == 2


def test_a_right_side_that_is_a_hit_already_stays_one(tmp_path):
    write_pair(tmp_path / "day", "snare_01_L.wav", "snare_01_R.wav", stereo(4))
    left = tmp_path / "day" / "snare_01_L.wav"
    kept = left.rename(tmp_path / "elsewhere.wav")
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([tmp_path / "day"], n_jobs=1)
        kept.rename(left)
        cat.scan([tmp_path / "day"], n_jobs=1)
        assert len(cat.hits()) == 2
        first, second = sorted(cat.hits(), key=lambda hit: hit.path)
        cat.annotations.mark([first.id], "spare")
        cat.takes.join_stereo_pair(first.id, second.id)
        cat.scan([tmp_path / "day"], n_jobs=1)
        pair = the_pair(cat)
        assert (pair.id, pair.mark, pair.n_channels) == (first.id, "spare", N_WIDE)
        assert [hit.id for hit in cat.hits()] == [first.id]


def test_a_separated_pair_stays_separate_when_it_moves_and_can_be_joined_again(cat, folder):
    pair = the_pair(cat)
    cat.annotations.mark([pair.id], "master")
    cat.takes.split_stereo_pair(pair.id)
    cat.scan([folder], n_jobs=1)
    ordered = sorted(cat.hits(), key=lambda hit: hit.path)
    left, right = (hit for hit in ordered if hit.path.parent.name == "Shed")
    assert (left.id, left.n_channels, right.n_channels) == (pair.id, 1, 1)
    assert len(cat.scan([folder], n_jobs=1).unchanged) == 3
    before = {hit.id for hit in cat.hits()}
    (folder / "Shed").rename(folder / "Barn")
    assert len(cat.scan([folder], n_jobs=1).moved) == 2
    assert {hit.id for hit in cat.hits()} == before
    assert cat.hit(pair.id).mark == "master"
    cat.takes.join_stereo_pair(left.id, right.id)
    cat.scan([folder], n_jobs=1)
    again = the_pair(cat)
    assert (again.id, again.content_hash) == (pair.id, pair.content_hash)


def test_hits_that_cannot_be_joined_or_separated_are_errors(cat):
    pair, whole = by_folder(cat)["Shed"], by_folder(cat)["Mill"]
    with pytest.raises(ParameterError, match="nothing to separate"):
        cat.takes.split_stereo_pair(whole.id)
    with pytest.raises(ParameterError, match="cannot be left and right"):
        cat.takes.join_stereo_pair(pair.id, whole.id)
    with pytest.raises(ParameterError, match="cannot be left and right"):
        cat.takes.join_stereo_pair(whole.id, whole.id)


def test_a_pair_is_hidden_but_not_set_aside(cat, folder):
    pair = the_pair(cat)
    assert "hide it instead" in cat.files.obstacles([pair.id])[pair.id]
    with pytest.raises(StoreError, match="two files"):
        cat.set_aside([pair.id], reason="copy")
    assert len(list((folder / "Shed").iterdir())) == N_WIDE
    cat.files.hide([pair.id])
    assert pair.id not in [hit.id for hit in cat.hits()]


def test_a_channel_of_a_pair_can_be_chosen(cat, folder):
    pair = the_pair(cat)
    cat.takes.set_mix(pair.id, "2")
    pair = the_pair(cat)
    assert cat.audio(pair.id).samples.shape[1] == 1
    right = decode_file(folder / "Shed" / "snare_01_R.wav").samples
    np.testing.assert_array_equal(cat.audio(pair.id).samples, right[pair.start : pair.stop])
    cat.scan([folder], n_jobs=1)
    assert cat.takes.mix(pair.id) == "2"
    assert len(cat.takes.microphones(pair.id)) == N_WIDE


def test_a_take_in_two_files_is_segmented_into_stereo_strokes(tmp_path):
    quiet = np.random.default_rng(5).normal(scale=2e-4, size=(round(3.6 * SR), N_WIDE))
    for number, at_s in enumerate((0.4, 1.5, 2.6)):
        stroke = stereo(10 * number)
        at = round(at_s * SR)
        quiet[at : at + len(stroke)] += stroke
    write_pair(tmp_path / "day", "snare_L.wav", "snare_R.wav", quiet.astype(np.float32))
    write_pair(tmp_path / "day", "snare OH L.wav", "snare OH R.wav", quiet.astype(np.float32))
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([tmp_path / "day"], n_jobs=1)
        pairs = cat.takes.stereo_pairs()
        assert [(h.region, h.name) for h in pairs] == [(n, f"snare OH #{n}") for n in (1, 2, 3)]
        written = cat.takes.write_strokes(pairs[0].id, tmp_path / "strokes", dry_run=False)
        names = [part.target.name for part in written]
        assert names == [f"snare OH_{number:02d}.wav" for number in (1, 2, 3)]
        assert decode_file(written[0].target).samples.shape[1] == N_WIDE
        cat.takes.merge_regions([hit.id for hit in pairs[:2]])
        cat.scan([tmp_path / "day"], n_jobs=1)
        assert len(cat.takes.stereo_pairs()) == 2


def test_a_kit_exports_both_sides_and_names_both_files(cat, folder, tmp_path):
    pair = the_pair(cat)
    kit = cat.fill_kit({"snare": pair.id})
    cat.export_kit(kit, tmp_path / "kit")
    rows = json.loads((tmp_path / "kit" / "manifest.json").read_text())["files"]
    (row,) = (row for row in rows if row["source_right_file"])
    assert Path(row["source_right_file"]) == folder / "Shed" / "snare_01_R.wav"
    both = b"".join(path.read_bytes() for path in pair.files)
    assert row["source_sha256"] == hashlib.sha256(both).hexdigest()
    assert decode_file(tmp_path / "kit" / row["file"]).samples.shape[1] == N_WIDE


def test_a_side_that_is_missing_after_the_scan_is_an_error(cat, folder):
    (folder / "Shed" / "snare_01_R.wav").unlink()
    with pytest.raises(AudioError, match="snare_01_R"):
        cat.audio(the_pair(cat).id)


def test_the_command_line_lists_separates_and_joins_pairs(cat, folder, tmp_path, capsys):
    store = ["--store", str(tmp_path / "drums.sqlite")]
    assert main(["sides", *store]) == 0
    capsys.readouterr()
    assert main(["sides", "--json", *store]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert [hit["path"].rsplit("/")[-1] for hit in listed] == ["snare_01_L.wav"]
    assert [hit["mate"].rsplit("/")[-1] for hit in listed] == ["snare_01_R.wav"]
    pair = the_pair(cat)
    assert main(["sides", "--separate", str(pair.id), *store]) == 0
    assert "next scan" in capsys.readouterr().err
    assert main(["scan", str(folder), *store]) == 0
    capsys.readouterr()
    assert main(["sides", "--json", *store]) == 0
    assert json.loads(capsys.readouterr().out) == []


def two_mono(tmp_path, left="Crash L.wav", right="Crash R.wav"):
    write_pair(tmp_path / "day", left, right, stereo(6))
    cat = Catalog.open(tmp_path / "drums.sqlite")
    cat.scan([tmp_path / "day"], n_jobs=1)
    return cat, sorted(cat.hits(), key=lambda hit: hit.path)


def test_the_last_choice_for_a_file_counts(tmp_path):
    cat, (first, second) = two_mono(tmp_path)
    with cat:
        cat.takes.join_stereo_pair(first.id, second.id)
        cat.takes.join_stereo_pair(second.id, first.id)
        cat.scan([tmp_path / "day"], n_jobs=1)
        pair = the_pair(cat)
        assert [file.name for file in pair.files] == ["Crash R.wav", "Crash L.wav"]
        assert [hit.id for hit in cat.hits()] == [second.id]


def test_a_choice_of_sides_without_effect_reports_that(tmp_path, capsys):
    cat, (first, second) = two_mono(tmp_path)
    with cat:
        store = ["--store", str(cat.store_path)]
        for command in (["--join", str(first.id), str(second.id)], ["--separate", str(first.id)]):
            n_events = len(cat.history())
            assert main(["sides", *command, *store]) == 0
            capsys.readouterr()
            assert main(["sides", *command, *store]) == 0
            assert "nothing was changed: it was so already" in capsys.readouterr().err
            assert len(cat.history()) == n_events + 1
            cat.scan([tmp_path / "day"], n_jobs=1)


def test_exchanged_sides_are_measured_again(cat, folder):
    pair = the_pair(cat)
    left, right = pair.files
    left.rename(folder / "x")
    right.rename(left)
    (folder / "x").rename(right)
    assert len(cat.scan([folder], n_jobs=1).changed) == 1
    assert the_pair(cat).content_hash != pair.content_hash


@pytest.mark.parametrize(
    ("left", "right", "name"),
    [("kick in.wav", "kick out.wav", "kick in"), ("snare L.wav", "snare R.wav", "snare")],
)
def test_a_pair_joined_by_the_user_has_a_whole_name(tmp_path, left, right, name):
    cat, (first, second) = two_mono(tmp_path, left, right)
    with cat:
        if len(cat.hits()) == 2:
            cat.takes.join_stereo_pair(first.id, second.id)
            cat.scan([tmp_path / "day"], n_jobs=1)
        assert the_pair(cat).name == name


def test_regions_and_mix_apply_again_when_a_missing_side_is_back(cat, folder):
    pair = the_pair(cat)
    cat.takes.split_region(pair.id, at=(pair.start + pair.stop) // 2)
    cat.takes.set_mix(pair.id, "2")
    before = [(hit.id, hit.start, hit.stop, hit.descriptors) for hit in cat.takes.stereo_pairs()]
    right = folder / "Shed" / "snare_01_R.wav"
    away = right.rename(folder.parent / "away")
    cat.scan([folder], n_jobs=1)
    assert cat.takes.stereo_pairs() == []
    away.rename(right)
    cat.scan([folder], n_jobs=1)
    after = [(hit.id, hit.start, hit.stop, hit.descriptors) for hit in cat.takes.stereo_pairs()]
    assert [one[1:] for one in after] == [one[1:] for one in before]
    assert cat.takes.mix(after[0][0]) == "2"
    assert all("mix" in hit.origin for hit in cat.takes.stereo_pairs())


def test_copies_that_are_pairs_stay_and_single_files_are_set_aside(cat, folder, tmp_path, capsys):
    pair, whole = by_folder(cat)["Shed"], by_folder(cat)["Mill"]
    cat.duplicates.keep(whole.id)
    kick = encode_wav(as_frames(drum_stroke(60, seed=3, sr=SR)), sr=SR)
    for name in ("kick_01.wav", "kick_01 again.wav"):
        (folder / "Mill" / name).write_bytes(kick)
    cat.scan([folder], n_jobs=1)
    store = ["--store", str(tmp_path / "drums.sqlite")]
    assert main(["set-aside", "--copies", "--yes", *store]) == 1  # a pair was not moved
    assert "not moved: hit" in capsys.readouterr().err
    assert cat.hit(pair.id).state == "here"
    assert [hit.drum for hit in cat.hits(states=("aside",))] == ["kick"]


def write_track(path, name, samples):
    """Write a channel as recorders do: the name of its track stands in the iXML chunk."""
    text = f"<BWFXML><TRACK_LIST><TRACK><NAME>{name}</NAME></TRACK></TRACK_LIST></BWFXML>".encode()
    wav = encode_wav(samples[:, None], sr=SR)
    chunk = b"iXML" + len(text).to_bytes(4, "little") + text + bytes(len(text) % 2)
    size = int.from_bytes(wav[4:8], "little") + len(chunk)
    path.write_bytes(wav[:4] + size.to_bytes(4, "little") + wav[8:] + chunk)


def test_neighboring_tracks_that_the_recorder_named_left_and_right_are_one_hit(tmp_path):
    """Track names in the TRACK_LIST of iXML, revision 2.10 (from memory)."""
    folder = tmp_path / "day"
    folder.mkdir()
    tracks = ["Kick in", "Snare top", "OH L", "OH R"]
    for number, name in enumerate(tracks, start=1):
        write_track(folder / f"ZZ0001_Tr{number}.wav", name, stereo(number)[:, 0])
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([folder], n_jobs=1)
        assert [hit.microphone for hit in cat.hits(states=("here", "hidden"))] == [
            "Kick in", "Snare top", "OH",
        ]  # fmt: skip
        assert the_pair(cat).files == (folder / "ZZ0001_Tr3.wav", folder / "ZZ0001_Tr4.wav")

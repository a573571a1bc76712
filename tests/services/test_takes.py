"""Takes through `Catalog` and the command line: their cut, their channels, their sessions."""

from __future__ import annotations

import json
import os

import numpy as np
import pytest

from catalog import Catalog, ParameterError, StoreError
from catalog.__main__ import main
from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_wav
from catalog.audio.metadata.bext import insert_bext
from catalog.kit.layers import strokes_of_drum
from catalog.library.metadata.damping import damping_of
from tests.signals import as_frames, drum_stroke

NOTHING = "nothing was changed: it was so already"
SR = 16_000  # Hz; low, so that measuring is quick
AT_S = (0.4, 1.5, 2.6)
ORIGIN = {"originator": "box", "date": "2021-05-04", "time": "10:00:00"}


def take_bytes(*, n_channels=1):
    samples = np.random.default_rng(3).normal(scale=2e-4, size=round(3.6 * SR))
    for number, at_s in enumerate(AT_S):
        stroke = drum_stroke(150, seed=number, sr=SR, strength=1 - 0.3 * number)
        at = round((at_s - 0.01) * SR)
        samples[at : at + len(stroke)] += stroke
    frames = as_frames(samples.astype(np.float32), n_channels)
    frames[:, 1:] *= -0.9
    return insert_bext(
        encode_wav(frames, sr=SR), description="take=4", origin=ORIGIN, sr=SR, start=0
    )


@pytest.fixture
def folder(tmp_path):
    root = tmp_path / "recordings"
    (root / "Cellar").mkdir(parents=True)
    (root / "Cellar" / "snare.wav").write_bytes(take_bytes())
    single = encode_wav(as_frames(drum_stroke(80, seed=9, sr=SR)), sr=SR)
    (root / "Cellar" / "kick_01.wav").write_bytes(single)
    return root


def spans(hits):
    return [(hit.id, hit.start, hit.stop) for hit in hits]


def scan_anew(cat, folder):
    """As after a copy that touched each file."""
    for path in folder.rglob("*.wav"):
        os.utime(path)
    return cat.scan([folder], n_jobs=1)


def test_a_take_becomes_hits_and_a_finished_hit_stays_one(cat, folder):
    before = (folder / "Cellar" / "snare.wav").read_bytes()
    take = cat.takes.regions(folder / "Cellar" / "snare.wav")
    assert [hit.name for hit in take] == ["snare #1", "snare #2", "snare #3"]
    onsets = [round(at * SR) for at in AT_S]
    assert all(
        hit.start <= at < hit.start + 0.004 * SR for hit, at in zip(take, onsets, strict=True)
    )
    assert [hit.name for hit in cat.takes.regions(folder / "Cellar" / "kick_01.wav")] == ["kick_01"]
    assert len(cat.audio(take[1].id).samples) == take[1].stop - take[1].start
    assert (folder / "Cellar" / "snare.wav").read_bytes() == before


def test_a_second_scan_changes_nothing(cat, folder):
    before = [repr(hit) for hit in cat.hits()]
    report = scan_anew(cat, folder)
    assert len(report.unchanged) == 2
    assert [repr(hit) for hit in cat.hits()] == before


def test_later_scans_keep_changes_made_by_hand(cat, folder):
    first, second, third = cat.takes.regions(folder / "Cellar" / "snare.wav")
    cat.annotations.mark([second.id], "master")
    cat.takes.move_region(second.id, start=second.start - 80, stop=second.stop - 400)
    cat.takes.merge_regions([second.id, third.id])
    changed = cat.takes.split_region(first.id, at=first.start + 1600)
    assert [hit.id for hit in changed][0::2] == [first.id, second.id]
    assert (changed[2].start, changed[2].stop) == (second.start - 80, third.stop)
    assert cat.hit(second.id).mark == "master"
    scan_anew(cat, folder)
    assert spans(cat.takes.regions(folder / "Cellar" / "snare.wav")) == spans(changed)
    (folder / "Cellar" / "snare.wav").rename(folder / "moved.wav")
    cat.scan([folder], n_jobs=1)
    assert spans(cat.takes.regions(folder / "moved.wav")) == spans(changed)


def test_the_regions_of_a_scan_can_be_restored(cat, folder):
    before = cat.takes.regions(folder / "Cellar" / "snare.wav")
    cat.takes.merge_regions([hit.id for hit in before])
    assert len(cat.takes.regions(before[0].path)) == 1
    again = cat.takes.reset_regions(before[0].id)
    assert [(hit.start, hit.stop) for hit in again] == [(hit.start, hit.stop) for hit in before]
    assert again[0].id == before[0].id


def test_a_finished_hit_can_be_split(cat, folder):
    (hit,) = cat.takes.regions(folder / "Cellar" / "kick_01.wav")
    parts = cat.takes.split_region(hit.id, at=hit.start + 3000)
    assert [part.start for part in parts] == [hit.start, hit.start + 3000]
    assert parts[0].id == hit.id


def test_cuts_that_cannot_be_are_refused(cat, folder):
    first, second, third = cat.takes.regions(folder / "Cellar" / "snare.wav")
    with pytest.raises(ParameterError, match="overlap no other region"):
        cat.takes.move_region(first.id, start=first.start, stop=second.start + 1)
    with pytest.raises(ParameterError, match="must lie within the file"):
        cat.takes.move_region(third.id, start=third.start, stop=10**9)
    with pytest.raises(ParameterError, match="each part of hit"):
        cat.takes.split_region(first.id, at=first.start + 1)
    with pytest.raises(ParameterError, match="only neighboring strokes can be merged"):
        cat.takes.merge_regions([first.id, third.id])
    with pytest.raises(ParameterError, match="at least two strokes"):
        cat.takes.merge_regions([first.id])
    assert spans(cat.takes.regions(first.path)) == spans([first, second, third])


def test_a_recording_that_changed_meanwhile_is_not_cut(cat, folder):
    first, *_ = cat.takes.regions(folder / "Cellar" / "snare.wav")
    first.path.write_bytes(take_bytes(n_channels=2))
    with pytest.raises(StoreError, match="has changed since it was scanned"):
        cat.takes.split_region(first.id, at=first.start + 1600)
    with pytest.raises(StoreError, match="has changed since it was scanned"):
        cat.takes.write_strokes(first.id, folder / "cut")
    assert not (folder / "cut").exists()


def test_one_stroke_of_several_is_hidden_not_set_aside(cat, folder):
    first, *_ = cat.takes.regions(folder / "Cellar" / "snare.wav")
    with pytest.raises(StoreError, match="shares its file with other strokes; hide it instead"):
        cat.set_aside([first.id], reason="test")
    assert first.path.exists()


def test_strokes_are_written_out_with_fades_and_the_time_moved_on(cat, folder, tmp_path):
    take = cat.takes.regions(folder / "Cellar" / "snare.wav")
    out = tmp_path / "out" / "strokes"
    plan = cat.takes.write_strokes(take[0].id, out, dry_run=True)
    assert not out.parent.exists()
    assert cat.takes.write_strokes(take[0].id, out) == plan
    assert sorted(p.name for p in out.iterdir()) == [f"snare_0{n}.wav" for n in (1, 2, 3)]
    audio, source = decode_file(out / "snare_03.wav"), decode_file(take[0].path).samples
    inner = slice(round(0.001 * SR), -round(0.006 * SR))
    part = source[take[2].start : take[2].stop]
    assert np.array_equal(audio.samples[inner], part[inner])
    assert abs(audio.samples[0, 0]) == 0.0
    assert np.abs(audio.samples[-2:]).max() < 1e-4
    from catalog.library.metadata.filename import read_chunks

    written = read_chunks(out / "snare_03.wav")
    assert written.origin["time_reference"] == str(take[2].start)
    assert written.origin["time"] == "10:00:02"
    assert (written.session, written.take) == ("Cellar", "4")
    with pytest.raises(ParameterError, match="exists already"):
        cat.takes.write_strokes(take[0].id, out)


def test_a_mix_is_kept_for_the_file_and_warned_of_where_it_cancels(cat, folder):
    path = folder / "Cellar" / "snare.wav"
    path.write_bytes(take_bytes(n_channels=2))
    cat.scan([folder], n_jobs=1)
    hit = cat.takes.regions(path)[0]
    delays = cat.takes.microphones(hit.id)
    assert [d.flipped for d in delays] == [False, True]
    warning = cat.takes.set_mix(hit.id, "aligned")
    assert warning == ""
    assert cat.audio(hit.id).samples.shape[1] == 1
    assert cat.hit(hit.id).origin["mix"] == "aligned"
    measured = cat.hit(hit.id).descriptors
    scan_anew(cat, folder)
    assert cat.takes.mix(hit.id) == "aligned"
    path.rename(path.with_name("other.wav"))
    cat.scan([folder], n_jobs=1)
    assert cat.hit(hit.id).origin["mix"] == "aligned"
    cat.hit(hit.id).path.rename(path)
    cat.scan([folder], n_jobs=1)
    assert cat.takes.set_mix(hit.id, "2") == ""
    assert np.array_equal(
        cat.audio(hit.id).samples[:, 0], decode_file(path).samples[hit.start : hit.stop, 1]
    )
    assert next(h for h in cat.hits() if h.id == hit.id).descriptors != measured
    with pytest.raises(ParameterError, match="or a channel from 1 to 2"):
        cat.takes.set_mix(hit.id, "3")


def test_a_session_is_named_by_a_rule_until_the_user_sets_another(cat, folder):
    (session,) = cat.takes.sessions()
    assert (session.name, session.sources, session.n_hits) == ("Cellar", ("folder",), 4)
    assert session.dates == ("2021-05-04",)
    hit = cat.takes.regions(folder / "Cellar" / "snare.wav")[0]
    cat.takes.set_session([hit.id], "First evening")
    scan_anew(cat, folder)
    assert (cat.hit(hit.id).session, cat.hit(hit.id).session_source) == ("First evening", "user")
    cat.takes.set_session([hit.id], "")
    assert (cat.hit(hit.id).session, cat.hit(hit.id).session_source) == ("Cellar", "folder")
    with pytest.raises(ParameterError, match="name must be printable"):
        cat.takes.set_session([hit.id], "a\nb")


def test_two_days_under_one_name_are_two_sessions(folder, tmp_path):
    for number, (date, time) in enumerate(
        [("2021-05-04", "22:30:00"), ("2021-05-05", "00:20:00"), ("2021-05-05", "11:00:00")]
    ):
        wav = encode_wav(as_frames(drum_stroke(90, seed=number, sr=SR)), sr=SR)
        data = insert_bext(wav, description="", origin={"date": date, "time": time}, sr=SR, start=0)
        (folder / "Cellar" / f"tom_{number}.wav").write_bytes(data)
    (folder / "Cellar" / "snare.wav").unlink()
    with Catalog.open(tmp_path / "days.sqlite") as cat:
        cat.scan([folder], n_jobs=1)
        named = {hit.name: hit.session for hit in cat.hits()}
    assert named == {
        "kick_01": "Cellar",  # its file holds no date
        "tom_0": "Cellar 2021-05-04",
        "tom_1": "Cellar 2021-05-04",  # past midnight, the same sitting
        "tom_2": "Cellar 2021-05-05",
    }


def test_the_command_line_lists_and_changes_a_cut(call, cat, folder):
    code, out, _ = call("takes")
    assert code == 0
    assert "3 strokes" in out
    first, second, third = cat.takes.regions(folder / "Cellar" / "snare.wav")
    code, out, _ = call("regions", second.id)
    assert code == 0
    assert out.count("dBFS") == 3
    assert "nan" not in out
    assert "(99.000 s) must lie between" in call("regions", first.id, "--split", 99)[2]
    assert call("regions", first.id, "--split", first.start / SR + 0.1)[0] == 0
    assert len(cat.takes.regions(first.path)) == 4
    assert call("regions", second.id, "--merge", third.id)[0] == 0
    assert len(cat.takes.regions(first.path)) == 3
    move = ("--move", second.start / SR - 0.01, second.stop / SR)
    assert call("regions", second.id, *move)[0] == 0
    assert cat.hit(second.id).start == second.start - 160
    assert call("regions", second.id, *move)[::2] == (0, NOTHING + "\n")
    assert call("regions", first.id, "--again")[0] == 0
    assert call("regions", first.id, "--again")[::2] == (0, NOTHING + "\n")
    assert [hit.start for hit in cat.takes.regions(first.path)] == [
        hit.start for hit in (first, second, third)
    ]


def test_cut_writes_strokes_only_with_yes(call, cat, folder, tmp_path):
    hit = cat.takes.regions(folder / "Cellar" / "snare.wav")[0]
    code, out, _ = call("cut", hit.id, tmp_path / "strokes")
    assert (code, (tmp_path / "strokes").exists()) == (0, False)
    assert "nothing was written; add --yes to do it" in out
    assert call("cut", hit.id, tmp_path / "strokes", "--yes")[0] == 0
    assert len(list((tmp_path / "strokes").iterdir())) == 3


def test_the_command_line_prints_channels_and_sessions(call, cat, folder):
    path = folder / "Cellar" / "snare.wav"
    path.write_bytes(take_bytes(n_channels=2))
    cat.scan([folder], n_jobs=1)
    hit = cat.takes.regions(path)[0]
    code, out, err = call("microphones", hit.id, "--mix", "sum")
    assert code == 0
    assert "opposite polarity" in out
    assert "cancel in this mix" in err
    code, _, err = call("microphones", hit.id, "--mix", "sum")
    assert (code, NOTHING in err) == (0, True)
    assert call("session", "Old mill", hit.id)[0] == 0
    code, out, _ = call("sessions", "--json")
    assert [s["name"] for s in json.loads(out)] == ["Cellar", "Old mill"]


def test_metadata_of_the_recorder_is_searchable_and_exported(cat, folder, tmp_path):
    hit = cat.takes.regions(folder / "Cellar" / "snare.wav")[0]
    assert [h.id for h in cat.hits("2021-05-04")] == [hit.id, hit.id + 1, hit.id + 2]
    cat.export_kit(cat.fill_kit({"snare": hit.id}, slots=["snare"]), tmp_path / "kit")
    rows = json.loads((tmp_path / "kit" / "manifest.json").read_text())["files"]
    assert rows[0]["origin"] == "date=2021-05-04; originator=box; take=4; time=10:00:00"
    assert rows[0]["source_start_frame"] == hit.start


def test_another_mix_is_another_sound_for_the_browser(cat, folder):
    from catalog.web.columns import stamp_hit

    path = folder / "Cellar" / "snare.wav"
    path.write_bytes(take_bytes(n_channels=2))
    cat.scan([folder], n_jobs=1)
    hit = cat.takes.regions(path)[0]
    cat.takes.set_mix(hit.id, "2")
    assert stamp_hit(cat.hit(hit.id)) != stamp_hit(hit)


def test_a_hidden_stroke_is_not_merged_with_a_visible_one(cat, folder):
    first, second, *_ = cat.takes.regions(folder / "Cellar" / "snare.wav")
    cat.files.hide([first.id])
    with pytest.raises(ParameterError, match="one of the strokes is hidden"):
        cat.takes.merge_regions([first.id, second.id])
    assert [hit.state for hit in cat.takes.regions(second.id)][:2] == ["hidden", "here"]


def test_drum_microphone_and_damping_are_set_for_a_take_and_kept_by_scans(cat, folder):
    def strokes():
        return cat.takes.regions(folder / "Cellar" / "snare.wav")

    ids = [hit.id for hit in strokes()]
    others = [hit for hit in cat.hits() if hit.id not in ids]
    cat.takes.set_names(ids[:1], drum="Snare 14", microphone="top", whole_take=True)
    cat.takes.set_names(ids[1:2], damping="damped")
    cat.scan([folder], n_jobs=1, again=True)
    assert [(hit.drum, hit.microphone) for hit in strokes()] == [("Snare 14", "top")] * 3
    assert [damping_of(hit) for hit in strokes()] == ["", "damped", ""]
    layers = strokes_of_drum(cat.hit(ids[0]), cat.hits())
    assert {hit.id for hit in layers} == {ids[0], ids[2]}
    cat.takes.set_names(ids, drum="", microphone="", damping="")
    named = [(hit.drum, hit.microphone, damping_of(hit)) for hit in strokes()]
    assert named == [("snare", "", "")] * 3
    assert [hit for hit in cat.hits() if hit.id not in ids] == others


def test_names_by_the_command_line(cat, folder, capsys):
    hit, *rest = cat.takes.regions(folder / "Cellar" / "snare.wav")
    store = ["--store", str(cat.store_path)]
    assert main([*store, "--json", "name", str(hit.id), "--drum", "Brass", "--take"]) == 0
    assert [row["drum"] for row in json.loads(capsys.readouterr().out)] == ["Brass"]
    assert {cat.hit(other.id).drum for other in rest} == {"Brass"}
    assert main([*store, "name", str(hit.id), "--drum", "Brass"]) == 0  # nothing changed
    assert main([*store, "name", str(hit.id)]) == 2
    with pytest.raises(ParameterError, match="damping"):
        cat.takes.set_names([hit.id], damping="wet")
    with pytest.raises(ParameterError, match="printable"):
        cat.takes.set_names([hit.id], drum="a\nb")


def groove_bytes():
    """Return 16 eighths at 120 bpm, a low and a high drum in turn."""
    samples = np.random.default_rng(5).normal(scale=1e-4, size=round(5.0 * SR))
    for i in range(16):
        stroke = drum_stroke(1500 if i % 2 else 80, seed=i % 2, sr=SR)
        at = round((0.3 + 0.25 * i) * SR)
        samples[at : at + len(stroke)] += 0.5 * stroke[: len(samples) - at]
    return encode_wav(as_frames(samples.astype(np.float32)), sr=SR)


def bump_bytes():
    t = np.arange(SR) / SR
    swing = 0.2 * np.sin(2 * np.pi * 40 * t) * np.minimum(t / 0.04, 1) * np.exp(-t / 0.08)
    noise = np.random.default_rng(6).normal(scale=1e-4, size=SR)
    return encode_wav(as_frames((swing + noise).astype(np.float32)), sr=SR)


@pytest.fixture
def with_events(folder, cat):
    (folder / "Cellar" / "groove.wav").write_bytes(groove_bytes())
    (folder / "Cellar" / "kick_02.wav").write_bytes(bump_bytes())
    cat.scan([folder], n_jobs=1)
    return {hit.path.stem: hit for hit in cat.takes.events()}


def test_what_is_no_stroke_is_listed_on_demand_only(cat, with_events, call):
    assert {name: hit.event for name, hit in with_events.items()} == {
        "groove": "loop",
        "kick_02": "bump",
    }
    bump = with_events["kick_02"].id
    assert bump not in {hit.id for hit in cat.hits()}
    assert bump not in {hit.id for hit in cat.hits(role="kick")}
    assert bump not in cat.context.table().rows
    code, text, _ = call("hits", "--events")
    assert code == 0
    assert "[loop, " in text
    assert "16 strokes]" in text
    assert "[bump]" in text


def test_the_word_of_the_user_about_an_event_counts(cat, folder, with_events, call):
    bump = with_events["kick_02"].id
    assert call("name", bump, "--event", "stroke")[0] == 0
    assert bump in {hit.id for hit in cat.hits()}
    cat.scan([folder], n_jobs=1, again=True)
    assert cat.hit(bump).event == "stroke"
    cat.takes.set_names([bump], event="")
    assert cat.hit(bump).event == "bump"
    with pytest.raises(ParameterError, match="event='noise' must be '' or one of stroke, roll"):
        cat.takes.set_names([bump], event="noise")


def test_a_loop_is_in_no_kit_and_no_coverage_until_it_is_cut(cat, with_events, call):
    loop = with_events["groove"].id
    assert loop not in {i for cell in cat.review.coverage().bins for i in cell.hit_ids}
    assert loop not in {i for ids in cat.fill_kit({}).slots.values() for i in ids}
    assert call("regions", loop, "--cut")[0] == 0
    strokes = cat.takes.regions(loop)
    assert len(strokes) == 16
    assert {hit.event for hit in strokes} == {"stroke"}


@pytest.fixture
def twice(cat, folder):
    """The catalog with the take once more, at a tenth of its level, in another folder."""
    quieter = folder / "Loft" / "snare again.wav"
    quieter.parent.mkdir()
    first = decode_file(folder / "Cellar" / "snare.wav")
    data = encode_wav(0.1 * first.samples, sr=SR)
    quieter.write_bytes(insert_bext(data, description="take=5", origin=ORIGIN, sr=SR, start=0))
    cat.scan([folder], n_jobs=1)
    return quieter


def test_a_take_of_which_each_stroke_is_a_copy_is_set_aside_as_one_file(cat, folder, twice, call):
    before = twice.read_bytes()
    copies = [hit.id for hit in cat.takes.regions(twice)]
    code, out, _ = call("set-aside", "--copies")
    assert (code, out.count("would set aside: ")) == (0, 1)
    assert call("set-aside", "--copies", "--yes")[0] == 0
    assert not twice.exists()
    assert [cat.hit(i).state for i in copies] == ["aside"] * 3
    assert len({cat.hit(i).path for i in copies}) == 1
    assert cat.hit(copies[0]).path.read_bytes() == before
    assert [hit.name for hit in cat.hits()] == ["kick_01", "snare #1", "snare #2", "snare #3"]
    assert call("set-aside", "--copies", "--yes")[0] != 0  # a second look moves nothing
    cat.files.restore([copies[2]])  # any stroke brings back the file
    assert twice.read_bytes() == before
    assert [cat.hit(i).state for i in copies] == ["here"] * 3


def test_a_take_set_aside_is_undone_and_done_again_with_all_its_strokes(cat, twice):
    copies = [hit.id for hit in cat.takes.regions(twice)]
    cat.set_aside(copies, reason="copy")
    cat.undo()
    assert twice.exists()
    assert [cat.hit(i).state for i in copies] == ["here"] * 3
    cat.files.redo()
    assert not twice.exists()
    assert [cat.hit(i).state for i in copies] == ["aside"] * 3


def test_a_take_stays_if_one_of_its_strokes_would_stay(cat, folder, twice, call):
    first, *others = cat.takes.regions(twice)
    cat.duplicates.set_verdict(
        first.id, cat.takes.regions(folder / "Cellar" / "snare.wav")[0].id, False
    )
    code, _, message = call("set-aside", "--copies", "--yes")
    assert (code, twice.exists()) == (1, True)
    assert message.count("shares its file with other strokes") == len(others)


def test_a_take_stays_if_its_strokes_would_be_kept_in_several_files(cat, folder, twice, call):
    (folder / "Cellar" / "snare.wav").unlink()
    cut = folder / "cut"
    cat.takes.write_strokes(cat.takes.regions(twice)[0].id, cut)
    cat.scan([folder], n_jobs=1)
    for hit in cat.hits():
        if hit.path.parent == cut:
            cat.duplicates.keep(hit.id)
    assert {cat.hit(group.keep).path.parent for group in cat.copies()} == {cut}
    code, _, message = call("set-aside", "--copies", "--yes")
    assert (code, twice.exists()) == (1, True)
    assert "its strokes would be kept in 3 files" in message

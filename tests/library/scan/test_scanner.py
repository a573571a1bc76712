from __future__ import annotations

import os
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from threadpoolctl import threadpool_info

from catalog.audio.encode import encode_wav
from catalog.errors import ParameterError
from catalog.library.files.set_aside import restore_hits, set_aside_hits
from catalog.library.scan.scanner import scan_folders
from catalog.library.scan.walk import hash_file
from catalog.library.scan.workers import measure_file
from catalog.library.store.store import Store
from catalog.models import ROLES
from catalog.reports import Progress

BODY_TOLERANCE = 0.05  # the decay widens the peak by 1 / (pi * 0.05 s) = 6 Hz
HALF_STEP = 2.0**-11  # half precision keeps 11 significant bits


def scan(store, folder, **options):
    return scan_folders(store, [folder], **{"n_jobs": 1, **options})


def names(paths):
    return [path.name for path in paths]


def refuse(path: Path):
    raise AssertionError(f"{path} was measured again")


def test_first_scan_adds_every_file_with_absolute_paths(store, library):
    report = scan(store, library)
    assert names(report.added) == [
        "mystery.wav", "tom.flac", "kick_01.wav", "kick_02.wav", "snare_01.wav", "snare_02.wav"
    ]  # fmt: skip
    assert all(path.is_absolute() for path in report.added)
    assert report.skipped == ()
    hits = {hit.name: hit for hit in store.hits.read()}
    assert (hits["kick_01"].role, hits["kick_01"].role_source) == ("kick", "name")
    assert hits["kick_01"].session == "Old barn"
    tom = hits["tom"]
    assert (tom.container, tom.subtype, tom.sr) == ("FLAC", "PCM_24", 16_000)


def test_the_store_holds_the_measurements(store, library):
    scan(store, library)
    for hit in store.hits.read():
        _, measures = measure_file(hit.path)
        assert (hit.start, hit.stop) == (measures.start, measures.stop)
        np.testing.assert_equal(dict(hit.descriptors), measures.descriptors)
        np.testing.assert_allclose(
            store.hits.embeddings([hit.id])[0], measures.embedding, rtol=HALF_STEP, atol=1e-6
        )
        np.testing.assert_array_equal(store.hits.production([hit.id])[0], measures.production)


def test_unchanged_files_are_not_measured_again(store, library):
    first = scan(store, library)
    revision = store.revision()
    second = scan(store, library, measure=refuse)
    assert second.unchanged == first.added
    assert (second.added, second.changed, second.skipped) == ((), (), ())
    assert store.revision() == revision


def test_files_are_measured_in_one_thread(store, library):
    threads = set()

    def measure(path):
        threads.update(library["num_threads"] for library in threadpool_info())
        return measure_file(path)

    scan(store, library, n_jobs=1, measure=measure)
    assert threads == {1}


def test_a_touched_file_is_unchanged(store, library):
    scan(store, library)
    os.utime(library / "Attic" / "tom.flac", (1, 1))
    report = scan(store, library, measure=refuse)
    assert report.skipped == ()
    assert "tom.flac" in names(report.unchanged)


def test_a_changed_file_keeps_its_id_and_the_role_by_the_user(store, library, write_hit):
    scan(store, library)
    old = next(hit for hit in store.hits.read() if hit.name == "kick_01")
    store.hits.set_role(old.id, "cowbell")
    write_hit(old.path, hz=900, seed=77)
    report = scan(store, library)
    assert report.changed == (old.path,)
    new = store.hits.get(old.id)
    assert new.content_hash != old.content_hash
    assert new.descriptors["centroid_hz"] > 2 * old.descriptors["centroid_hz"]
    assert (new.role, new.role_confidence, new.role_source) == ("cowbell", 1.0, "user")


def test_a_moved_file_keeps_its_id(store, library):
    scan(store, library)
    old = next(hit for hit in store.hits.read() if hit.name == "mystery")
    target = library / "Cellar" / "ride_7.wav"
    target.parent.mkdir()
    old.path.rename(target)
    report = scan(store, library, measure=refuse)
    assert (report.moved, report.missing, report.added) == ((target,), (), ())
    new = store.hits.get(old.id)
    assert (new.path, new.state, new.session, new.role) == (target, "here", "Cellar", "ride")


def test_a_copy_beside_its_original_is_another_hit(store, library):
    scan(store, library)
    kick = library / "Old barn" / "Kick" / "kick_01.wav"
    twin = kick.with_name("kick_01_twin.wav")
    twin.write_bytes(kick.read_bytes())
    report = scan(store, library)
    assert (report.added, report.moved) == ((twin,), ())
    assert len(store.hits.read()) == 7


def test_a_missing_file_is_marked_until_it_is_back(store, library):
    scan(store, library)
    tom = library / "Attic" / "tom.flac"
    data, status = tom.read_bytes(), tom.stat()
    tom.unlink()
    assert scan(store, library).missing == (tom,)
    assert scan(store, library).missing == (tom,)  # reported by every scan
    assert [hit.state for hit in store.hits.read() if hit.path == tom] == ["missing"]
    tom.write_bytes(data)
    os.utime(tom, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert tom in scan(store, library, measure=refuse).unchanged
    assert [hit.state for hit in store.hits.read() if hit.path == tom] == ["here"]


def test_files_outside_the_scanned_folder_are_not_missing(store, library):
    scan(store, library)
    (library / "Attic" / "tom.flac").unlink()
    assert scan(store, library / "Old barn").missing == ()


def test_files_set_aside_are_neither_missing_nor_found(tmp_path, library):
    with Store.open(library / "drums.sqlite") as store:  # the folder aside lies below the root
        scan(store, library)
        hit = store.hits.read()[0]
        set_aside_hits(store, [hit.id], reason="test")
        report = scan(store, library, measure=refuse)
        assert (report.missing, report.added, report.moved) == ((), (), ())
        assert store.hits.get(hit.id).state == "aside"


def test_a_file_that_is_restored_after_its_folder_was_listed_is_not_missing(store, library):
    scan(store, library)
    hit = store.hits.read()[0]
    set_aside_hits(store, [hit.id], reason="test")

    def restore(progress: Progress) -> None:
        if progress.step == "looking" and progress.total and store.hits.get(hit.id).state != "here":
            restore_hits(store, [hit.id])

    report = scan(store, library, on_progress=restore)
    assert report.missing == ()
    assert store.hits.get(hit.id).state == "here"


BAD = {
    "text.wav": b"this is a shopping list\n" * 9,
    "empty.wav": b"",
    "one.wav": encode_wav(np.full((1, 1), 0.5, np.float32), sr=44_100),
    "silence.wav": encode_wav(np.zeros((9_000, 1), np.float32), sr=44_100),
    "dc.wav": encode_wav(np.full((9_000, 1), 0.3, np.float32), sr=44_100),
}


@pytest.fixture
def bad_files(library, write_hit):
    folder = library / "faulty"
    whole = write_hit(folder / "cut.wav").read_bytes()
    (folder / "cut.wav").write_bytes(whole[: len(whole) // 2])
    for name, data in BAD.items():
        (folder / name).write_bytes(data)
    for name, value in {"nan.wav": np.nan, "inf.wav": np.inf}.items():
        samples = np.full(4_000, 0.1, np.float32)
        samples[2_000] = value
        soundfile.write(folder / name, samples, 44_100, subtype="FLOAT")
    return sorted([*BAD, "cut.wav", "nan.wav", "inf.wav"])


def test_each_bad_file_is_skipped_with_one_line(store, library, bad_files):
    report = scan(store, library)
    assert names(skip.path for skip in report.skipped) == bad_files
    assert len(report.added) == 6
    for skip in report.skipped:
        assert "\n" not in skip.reason
        assert any(word in skip.reason for word in ("remove it", "again", "copy")), skip
        assert "Error" not in skip.reason
    reasons = {skip.path.name: skip.reason for skip in report.skipped}
    assert "0 bytes" in reasons["empty.wav"]
    assert "not numbers" in reasons["nan.wav"]
    assert "silence" in reasons["dc.wav"]
    assert "ends early" in reasons["cut.wav"]


@pytest.mark.parametrize(("sr", "n_channels"), [(8_000, 1), (192_000, 2), (44_100, 8)])
def test_unusual_sample_rates_and_channel_counts_are_accepted(store, tmp_path, sr, n_channels):
    t = np.arange(sr // 4) / sr
    mono = (np.sin(2 * np.pi * 180 * t) * np.exp(-t / 0.05) * 0.5).astype(np.float32)
    path = tmp_path / "odd" / "tom.wav"
    path.parent.mkdir()
    path.write_bytes(encode_wav(np.stack([mono] * n_channels, axis=1), sr=sr))
    report = scan(store, path.parent)
    assert (report.added, report.skipped) == ((path,), ())
    hit = store.hits.read()[0]
    assert hit.sr == sr
    assert sum(hit.n_channels for hit in store.hits.read()) == n_channels  # over its microphones
    assert hit.descriptors["body_hz"] == pytest.approx(180, rel=BODY_TOLERANCE)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root reads anything")
def test_a_file_without_permission_is_skipped_with_one_line(store, library):
    tom = library / "Attic" / "tom.flac"
    tom.chmod(0)
    report = scan(store, library)
    assert names(skip.path for skip in report.skipped) == ["tom.flac"]
    assert "check" in report.skipped[0].reason
    tom.chmod(0o600)
    assert scan(store, library).added == (tom,)


def test_bad_files_are_reported_until_they_are_deleted(store, library, bad_files):
    first = scan(store, library)
    again = scan(store, library, measure=refuse)
    assert again.skipped == first.skipped
    assert store.files.read_skipped() == list(first.skipped)
    (library / "faulty" / "text.wav").unlink()
    assert "text.wav" not in names(skip.path for skip in scan(store, library).skipped)
    assert "text.wav" not in names(skip.path for skip in store.files.read_skipped())


def test_a_repaired_file_becomes_a_hit(store, library, bad_files, write_hit):
    scan(store, library)
    path = write_hit(library / "faulty" / "text.wav")
    report = scan(store, library)
    assert report.added == (path,)
    assert path not in [skip.path for skip in store.files.read_skipped()]


def test_a_hit_with_a_broken_file_is_missing_until_it_is_repaired(store, library, write_hit):
    scan(store, library)
    hit = next(hit for hit in store.hits.read() if hit.name == "tom")
    whole = hit.path.read_bytes()
    hit.path.write_bytes(b"")
    assert names(skip.path for skip in scan(store, library).skipped) == ["tom.flac"]
    assert store.hits.get(hit.id).state == "missing"
    hit.path.write_bytes(whole)
    assert scan(store, library).skipped == ()
    assert store.hits.get(hit.id).state == "here"


@pytest.mark.parametrize(
    "name",
    ["<b>snare</b> & 'kick'.wav", 'tom "floor" \\n.wav', "Caisse claire é ñ 太鼓.wav",
     "s" * 200 + ".wav",
     "line\nbreak.wav", "SHOUT.WAV"],
)  # fmt: skip
def test_unusual_names_are_stored_unchanged(store, tmp_path, write_hit, name):
    path = write_hit(tmp_path / "odd" / name)
    assert scan(store, tmp_path / "odd").added == (path,)
    assert [hit.path for hit in store.hits.read()] == [path]


def test_a_name_that_is_not_valid_text_is_skipped_with_one_line(store, tmp_path, write_hit):
    raw = os.fsencode(tmp_path / "odd") + b"/snare\xff\xfe.wav"
    try:
        write_hit(Path(os.fsdecode(raw)))
    except OSError:
        pytest.skip("this file system holds only names that are valid text")
    report = scan(store, tmp_path / "odd")
    assert report.skipped == tuple(store.files.read_skipped())
    assert os.fsencode(report.skipped[0].path) == raw
    assert "not valid text; rename it" in report.skipped[0].reason
    assert scan(store, tmp_path / "odd", measure=refuse).skipped == report.skipped


def test_hidden_files_and_companions_are_ignored(store, library, write_hit):
    for name in ("._tom.flac", ".hidden.wav", ".trash/kick.wav"):
        write_hit(library / "Attic" / name)
    (library / "Attic" / "notes.txt").write_text("none of it is audio")
    report = scan(store, library)
    assert len(report.added) == 6
    assert report.skipped == ()


def test_an_unreadable_file_is_reported_and_read_again(store, library, monkeypatch):
    def forbid(path, mate):
        raise PermissionError(13, "Permission denied", str(path))

    with monkeypatch.context() as patch:
        patch.setattr("catalog.library.scan.workers.hash_file", forbid)
        report = scan(store, library)
    assert len(report.skipped) == 6
    assert "Permission denied" in report.skipped[0].reason
    assert "check" in report.skipped[0].reason
    assert len(scan(store, library).added) == 6  # giving the right changes neither size nor time


def test_the_role_by_sound_is_used_if_the_name_holds_none(store, library):
    def judge(embeddings):
        table = np.full((len(embeddings), len(ROLES)), 0.01, dtype=np.float32)
        table[:, ROLES.index("splash")] = 0.81
        return table

    scan(store, library, classify=judge)
    hits = {hit.name: hit for hit in store.hits.read()}
    assert (hits["mystery"].role, hits["mystery"].role_source) == ("splash", "sound")
    assert hits["mystery"].role_confidence == pytest.approx(0.81)
    assert hits["kick_01"].role == "kick"
    ids = [hits["mystery"].id]
    assert store.hits.role_probabilities(ids)[0, ROLES.index("splash")] == pytest.approx(0.81)


def test_progress_names_both_steps_and_ends_at_the_total(store, library):
    seen: list[Progress] = []
    scan(store, library, on_progress=seen.append)
    looking = [p for p in seen if p.step == "looking"]
    measuring = [p for p in seen if p.step == "measuring"]
    assert looking + measuring == seen
    assert looking[-1] == Progress("looking", 6, 6)
    assert [p.done for p in measuring] == list(range(7))
    assert {p.total for p in measuring} == {6}


def test_worker_processes_give_the_same_store_as_one_process(tmp_path, library, bad_files):
    kept = []
    for n_jobs in (1, 2):
        with Store.open(tmp_path / f"jobs{n_jobs}.sqlite") as store:
            report = scan(store, library, n_jobs=n_jobs)
            ids = [hit.id for hit in store.hits.read()]
            hits = [replace(hit, scanned_utc="") for hit in store.hits.read()]
            kept.append((report, repr(hits), store.hits.embeddings(ids).tobytes()))
    assert kept[0] == kept[1]


def die_of_snare(path):
    if path.name == "snare_01.wav":
        os._exit(139)
    return measure_file(path)


def die(_path):
    os._exit(139)


def test_a_file_that_kills_a_worker_is_skipped_alone(store, library):
    report = scan(store, library, n_jobs=2, measure=die_of_snare)
    assert names(skip.path for skip in report.skipped) == ["snare_01.wav"]
    assert "crashes the decoder" in report.skipped[0].reason
    assert len(report.added) == 5


def test_workers_restart_after_one_has_crashed(store, library, write_hit):
    assert len(scan(store, library / "Attic", n_jobs=2, measure=die).skipped) == 2
    assert len(scan(store, library / "Old barn", n_jobs=2).added) == 4


def test_two_scans_at_once_lose_nothing(tmp_path, library, write_hit):
    for at in range(30):
        write_hit(library / "More" / f"hit_{at:02}.wav", hz=100 + at, seed=at)
    place = tmp_path / "shared.sqlite"
    code = (
        "import sys; from catalog.library.scan.scanner import scan_folders;"
        "from catalog.library.store.store import Store\n"
        "with Store.open(sys.argv[1]) as s: scan_folders(s, [sys.argv[2]], n_jobs=1)"
    )
    runs = [
        subprocess.Popen([sys.executable, "-c", code, place, library], stderr=subprocess.PIPE)
        for _ in range(3)
    ]
    for run in runs:
        assert run.communicate()[1] == b""
        assert run.returncode == 0
    with Store.open(place) as store:
        hits = store.hits.read(states=("here", "missing", "aside"))
        assert len({hit.path for hit in hits}) == len(hits) == 36
        assert scan(store, library, measure=refuse).skipped == ()


def test_two_threads_may_scan_one_store(store, library):
    threads = [threading.Thread(target=scan, args=(store, library)) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(store.hits.read()) == 6


def test_a_folder_that_cannot_be_scanned_is_an_error(store, library, tmp_path):
    with pytest.raises(ParameterError, match="does not exist; check the name"):
        scan(store, tmp_path / "nowhere")
    with pytest.raises(ParameterError, match="is not a folder"):
        scan(store, library / "Attic" / "tom.flac")
    with pytest.raises(ParameterError, match="name at least one"):
        scan_folders(store, [])
    with pytest.raises(ParameterError, match="n_jobs=0"):
        scan(store, library, n_jobs=0)


def test_measurements_of_an_older_version_are_made_again(store, library, monkeypatch):
    first = scan(store, library)
    for module in ("scan.scanner", "store.records.files", "store.ingest"):
        monkeypatch.setattr(f"catalog.library.{module}.MEASURE_VERSION", 999)
    measured = []

    def note(path):
        measured.append(path)
        return measure_file(path)

    report = scan(store, library, measure=note)
    assert tuple(sorted(measured)) == first.added
    assert report.unchanged == first.added  # the files are; only the numbers are new
    assert scan(store, library, measure=refuse).unchanged == first.added


def test_a_file_changed_with_equal_size_and_time_is_found_when_all_files_are_read_again(
    scanned, library, write_hit
):
    hit, unchanged = scanned.hits.read()[0], scanned.hits.read()[1]
    times = hit.path.stat()
    write_hit(hit.path, hz=777, seed=3)
    os.utime(hit.path, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert hit.path.stat().st_size == times.st_size
    assert scan_folders(scanned, [library], n_jobs=1).changed == ()
    report = scan_folders(scanned, [library], n_jobs=1, again=True)
    assert report.changed == (hit.path,)
    assert len(report.unchanged) == 5
    assert scanned.hits.get(hit.id).content_hash == hash_file(hit.path)
    assert scanned.hits.get(unchanged.id) == unchanged

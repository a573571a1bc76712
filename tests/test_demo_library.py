"""Check that the demo library matches its truth table and can be generated again."""

from __future__ import annotations

import csv
import struct
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.special import jn_zeros

from catalog import Catalog
from catalog.models import ROLES
from demo_library.maker.membrane import Drum, membrane_modes
from demo_library.maker.modes import Stroke, ring_modes
from demo_library.perform import perform
from demo_library.sessions import LOFT, SESSIONS
from tests.walk import demo_folder

ROOT = Path(__file__).parents[1] / "demo_library"
SOUNDS = {".wav", ".flac"}
MOST_BYTES = 12_000_000
NEAR = 1e-3  # of full scale; other machines may round otherwise, not hear otherwise

TRUTH = list(csv.DictReader((ROOT / "truth.csv").read_text("utf-8").splitlines()))
HITS = [row for row in TRUTH if row["role"] and not row["fault"]]
ORIGIN = {row["path"]: row["copy_of"] for row in TRUTH}


def samples_of(path: Path | str) -> tuple[np.ndarray, int]:
    return soundfile.read(ROOT / path, dtype="float64", always_2d=True)


def likeness(a: np.ndarray, b: np.ndarray) -> float:
    """Largest correlation of two waveforms over all shifts; sign ignored."""
    n = len(a) + len(b)
    cross = np.fft.irfft(np.fft.rfft(a, n) * np.fft.rfft(b, n).conj(), n)
    return float(np.abs(cross).max() / np.sqrt((a @ a) * (b @ b)))


def centroid(samples: np.ndarray, sr: int) -> float:
    power = np.abs(np.fft.rfft(samples)) ** 2
    return float(power @ np.fft.rfftfreq(len(samples), 1.0 / sr) / power.sum())


def test_truth_table_names_every_sound_and_no_other():
    there = {p.relative_to(ROOT).as_posix() for p in ROOT.rglob("*") if p.suffix.lower() in SOUNDS}
    assert there == {row["path"] for row in TRUTH}
    assert len(TRUTH) == len(there) > 250


def test_library_stays_small():
    assert sum(p.stat().st_size for p in ROOT.rglob("*") if p.is_file()) < MOST_BYTES


def test_every_role_is_played():
    assert {row["role"] for row in HITS} == set(ROLES)


def test_originals_are_real_hits():
    originals = {row["path"] for row in HITS if not row["copy_of"]}
    copied = {row["copy_of"] for row in TRUTH if row["copy_of"]}
    assert copied <= originals
    assert len(copied) > 20


def test_every_width_and_rate_the_readme_names_is_there():
    infos = [soundfile.info(ROOT / row["path"]) for row in HITS]
    kinds = {(info.format, info.subtype, info.samplerate, info.channels) for info in infos}
    assert kinds >= {
        ("WAV", "PCM_24", 48_000, 1), ("WAV", "FLOAT", 44_100, 1), ("WAV", "PCM_16", 44_100, 2),
        ("FLAC", "PCM_16", 44_100, 1), ("FLAC", "PCM_24", 48_000, 1),
    }  # fmt: skip


def test_only_takes_from_the_barn_exceed_full_scale():
    peaks = {row["path"]: np.abs(samples_of(row["path"])[0]).max() for row in HITS}
    barn = [peak for path, peak in peaks.items() if path.startswith("Murrinholt")]
    originals = [row["path"] for row in HITS if not row["copy_of"]]
    takes = [peaks[path] for path in originals if not path.startswith("Murrinholt")]
    assert max(barn) > 1.0
    assert max(takes) < 10.0 ** (-5.5 / 20.0)


@pytest.mark.parametrize(
    ("fault", "error"), [("empty", True), ("text", True), ("no samples", None), ("truncated", None)]
)
def test_faulty_files_cannot_be_read_as_promised(fault, error):
    for row in (row for row in TRUTH if row["fault"] == fault):
        data = (ROOT / row["path"]).read_bytes()
        if error:
            with pytest.raises(soundfile.LibsndfileError):
                soundfile.info(ROOT / row["path"])
        elif data[:4] == b"RIFF":
            promised = struct.unpack("<I", data[4:8])[0] + 8
            assert len(data) < promised
        else:
            with pytest.raises(soundfile.LibsndfileError):
                samples_of(row["path"])


def test_silent_file_is_silent_and_clipped_file_is_clipped():
    by_fault = {row["fault"]: row["path"] for row in TRUTH}
    assert not samples_of(by_fault["silence"])[0].any()
    clipped = samples_of(by_fault["clipped"])[0]
    assert (np.abs(clipped) > 0.9999).mean() > 0.01


def test_undamped_membrane_rings_at_the_zeros_of_the_bessel_functions():
    """1.5933, 2.1355, 2.2954: j_11, j_21, j_02 over j_01 (Fletcher and Rossing, chapter 3)."""
    sr, seconds, pitch = 8000, 8, 100.0
    drum = Drum(pitch, 60.0, 0.001, air_load=0.0, damping_hz=1e9, split=0.0, wander=0.0)
    force = np.zeros(sr * seconds)
    force[0] = 1.0
    modes = membrane_modes(drum, Stroke(1.0, 0.42, 0.3, 1.0, seed=1))
    spectrum = np.abs(np.fft.rfft(ring_modes(modes, force, sr=sr) * np.hanning(len(force))))
    lowest = jn_zeros(0, 1)[0]
    zeros = jn_zeros(1, 1)[0], jn_zeros(2, 1)[0], jn_zeros(0, 2)[1]
    for zero, ratio in zip(zeros, (1.5933, 2.1355, 2.2954), strict=True):
        assert zero / lowest == pytest.approx(ratio, abs=5e-5)
        near = slice(*(round((ratio + off) * pitch * seconds) for off in (-0.05, 0.05)))
        found = (near.start + int(np.argmax(spectrum[near]))) / seconds
        assert found / pitch == pytest.approx(ratio, abs=1.0 / seconds / pitch)
        assert spectrum[near].max() > 10.0 * np.median(spectrum[near])


def strokes_by_drum() -> dict[tuple[str, str, str], list[dict[str, str]]]:
    groups: dict[tuple[str, str, str], list[dict[str, str]]] = {}
    for row in HITS:
        if not row["copy_of"]:
            key = (row["drum"], row["microphone"], row["strength"])
            groups.setdefault(key, []).append(row)
    return groups


def test_no_two_strokes_have_the_same_waveform():
    """A gain copy at 16 bits correlates by more than .9999; real kicks reach .996 (measured)."""
    for rows in strokes_by_drum().values():
        sounds = [samples_of(row["path"])[0][:, 0] for row in rows]
        assert all(likeness(a, b) < 0.998 for a, b in combinations(sounds, 2))


def test_copies_are_the_waveform_they_were_made_from():
    for row in (row for row in HITS if row["copy_of"]):
        (copy, sr), (source, source_sr) = samples_of(row["path"]), samples_of(row["copy_of"])
        if sr == source_sr:
            assert likeness(copy.mean(axis=1), source.mean(axis=1)) > 0.995


def mean_centroid(rows: list[dict[str, str]]) -> float:
    sounds = [samples_of(row["path"]) for row in rows]
    return float(np.mean([centroid(samples[:, 0], sr) for samples, sr in sounds]))


def test_hard_strokes_are_brighter_than_soft_ones():
    groups = strokes_by_drum()
    checked = 0
    for (drum, microphone, strength), rows in groups.items():
        soft = groups.get((drum, microphone, "soft"))
        if strength != "hard" or not soft:
            continue
        assert mean_centroid(rows) > mean_centroid(soft), drum
        checked += 1
    assert checked > 20


def arrival(path: str) -> float:
    """When the wave first passes a tenth of its peak, s."""
    samples, sr = samples_of(path)
    size = np.abs(samples[:, 0])
    return float(np.argmax(size > 0.1 * size.max())) / sr


def test_sound_reaches_farther_microphones_later():
    """343 m/s at 20 degrees C (handbook value): 1.06 m farther is 3.1 ms, 3.31 m is 9.7 ms."""
    snares = [r for r in HITS if r["drum"] == "boathouse snare" and not r["copy_of"]]
    times = {
        m: [arrival(r["path"]) for r in snares if r["microphone"] == m and r["strength"] == "hard"]
        for m in ("close", "oh", "room")
    }
    for name, farther_m in (("oh", 1.06), ("room", 3.31)):
        late_s = np.median(np.subtract(times[name], times["close"]))
        assert late_s == pytest.approx(farther_m / 343.0, abs=0.0012)


def test_drums_are_made_again_the_same(tmp_path):
    """Bytes where this machine made the library; else samples, as libm and codecs differ."""
    names = {"wood block", "beads", "claps", "metal timbale"}
    series = tuple(s for s in LOFT.series if s.instrument in names)
    again = perform(replace(LOFT, series=series), tmp_path)
    assert len(again) > 15
    for row in again:
        assert_same_file(tmp_path / row.path, ROOT / row.path)


def assert_same_file(new: Path, old: Path) -> None:
    if new.read_bytes() == old.read_bytes():
        return
    (a, _), (b, _) = samples_of(new), samples_of(old)
    assert a.shape == b.shape
    assert np.abs(a - b).max() < NEAR


def test_generation_is_reproducible_on_one_machine(tmp_path):
    series = tuple(s for s in LOFT.series if s.instrument in {"wood block", "loft snare"})
    rows = [perform(replace(LOFT, series=series), tmp_path / name) for name in "ab"]
    assert rows[0] == rows[1]
    for row in rows[0]:
        assert (tmp_path / "a" / row.path).read_bytes() == (tmp_path / "b" / row.path).read_bytes()


def test_an_independent_reader_finds_the_metadata_of_the_recorder():
    """wavinfo (PyPI, MIT) reads bext after EBU Tech 3285."""
    wavinfo = pytest.importorskip("wavinfo")
    paths = [row["path"] for row in HITS if row["path"].startswith(("vellanby", "handheld"))]
    for path in paths:
        bext = wavinfo.WavInfoReader(str(ROOT / path)).bext
        assert bext.version == 1
        session = next(s for s in SESSIONS if s.folder == path.split("/")[0])
        assert bext.description.startswith(f"session={session.name}; take=")
        assert bext.originator == session.recorder
        hours, minutes, seconds = map(int, bext.originator_time.split(":"))
        since_midnight = 3600 * hours + 60 * minutes + seconds
        assert bext.time_reference == since_midnight * session.sr
        assert bext.coding_history.startswith(f"A=PCM,F={session.sr},")


def test_the_bext_chunk_has_the_size_of_the_standard():
    """602 bytes before the coding history, EBU Tech 3285."""
    data = (ROOT / "vellanby_boathouse/Kick/Kick_01_close.wav").read_bytes()
    assert data[12:16] == b"bext"
    history = data[20 + 602 : 20 + struct.unpack("<I", data[16:20])[0]]
    assert history == b"A=PCM,F=48000,W=24,M=mono\r\n"


def test_float_files_carry_no_time_stamp():
    for path in (ROOT / "Murrinholt barn 2022-11").glob("*.wav"):
        assert b"PEAK" not in path.read_bytes()[:200]


def recording_of(path: str) -> str:
    while ORIGIN[path]:
        path = ORIGIN[path]
    return path


@pytest.mark.slow
def test_every_copy_is_found_and_no_two_strokes_are_grouped():
    """No model was fitted on the demo library."""
    with demo_folder() as folder, Catalog.open(folder / "demo.sqlite") as cat:
        root = folder / "recordings"
        cat.scan([root])
        hits = cat.hits(microphones=True)
        names = {hit.id: hit.path.relative_to(root).as_posix() for hit in hits}
        of_stroke = {hit.id: [names[mic.hit_id] for mic in hit.microphones] for hit in hits}
        groups = cat.copies()
    for group in groups:  # each microphone of a copy is a copy of one of the stroke that is kept
        kept = set(map(recording_of, of_stroke[group.keep]))
        copies = {name for hit_id in group.others for name in of_stroke[hit_id]}
        assert set(map(recording_of, copies)) <= kept
    found = {name for group in groups for hit_id in group.members for name in of_stroke[hit_id]}
    assert {name for name in names.values() if ORIGIN[name]} <= found

"""The strokes of a take as files: nothing is clipped, and a wrong bit on the disk is noticed."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from catalog import Catalog, StoreError
from catalog.__main__ import main
from catalog.audio.decode import decode_file
from catalog.library.takes import cut_export
from catalog.library.takes.cut_export import FADE_IN_S, FADE_OUT_S
from tests.signals import SR, as_frames, mix_take, strokes_at

PEAK = 3.55  # of full scale, 11 dB above it


@pytest.fixture
def cut(tmp_path, capsys):
    """Write a take, scan it, cut it; return the take's strokes, the files and the output."""

    def run(container: str, subtype: str, gain: float = 1.0):
        take = as_frames(mix_take(strokes_at((0.5, 2.0, 3.5))) * gain)
        folder = tmp_path / "takes"
        folder.mkdir()
        soundfile.write(folder / f"take.{container}", take, SR, subtype=subtype)
        store = tmp_path / "drums.sqlite"
        with Catalog.open(store) as cat:
            cat.scan([folder], n_jobs=1)
            hits = cat.hits()
        out = tmp_path / "out"
        code = main(["cut", str(hits[0].id), str(out), "--yes", "--store", str(store)])
        return hits, sorted(out.glob("*")), (code, capsys.readouterr())

    return run


def middle(samples: np.ndarray) -> np.ndarray:
    """Return the part between the fades."""
    return samples[round(FADE_IN_S * SR) + 1 : -round(FADE_OUT_S * SR) - 1]


@pytest.mark.parametrize(
    ("container", "subtype"), [("wav", "DOUBLE"), ("wav", "FLOAT"), ("ogg", "VORBIS")]
)
def test_a_take_with_peaks_above_full_scale_is_cut_without_clipping(cut, container, subtype):
    hits, files, (code, printed) = cut(container, subtype, gain=PEAK / 0.6)
    assert (code, len(files)) == (0, len(hits))
    n_over = 0
    for hit, path in zip(hits, files, strict=True):
        source = decode_file(hit.path, start=hit.start, stop=hit.stop).samples
        with soundfile.SoundFile(path) as file:
            assert file.subtype == "FLOAT"
        written = decode_file(path).samples
        assert np.array_equal(middle(written), middle(source))
        n_over += np.count_nonzero(np.abs(written) > 1.0)
    assert n_over > 100
    assert f"{n_over} samples exceed full scale; the files are 32-bit float" in printed.out


@pytest.mark.parametrize(
    ("container", "subtype", "expected"),
    [
        ("wav", "PCM_16", "PCM_16"), ("wav", "PCM_24", "PCM_24"), ("wav", "PCM_32", "PCM_32"),
        ("wav", "PCM_U8", "PCM_24"), ("flac", "PCM_24", "PCM_24"), ("ogg", "VORBIS", "PCM_24"),
        ("wav", "DOUBLE", "FLOAT"), ("wav", "FLOAT", "FLOAT"), ("wav", "ALAW", "PCM_24"),
    ],
)  # fmt: skip
def test_the_format_of_the_take_is_kept_where_wav_files_hold_it(cut, container, subtype, expected):
    _, files, (code, printed) = cut(container, subtype)
    assert code == 0
    assert {soundfile.info(path).subtype for path in files} == {expected}
    assert "full scale" not in printed.out


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT"])
def test_one_wrong_low_bit_on_the_disk_is_noticed(cut, monkeypatch, subtype):
    write = cut_export.write_synced

    def flip_one_bit(path, data):
        at = len(data) - 3000 - len(data) % 12  # the lowest byte of a sample of the last stroke
        at = data.index(b"data") + 8 + (at - data.index(b"data") - 8) // 12 * 12
        write(path, data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])

    monkeypatch.setattr(cut_export, "write_synced", flip_one_bit)
    _, files, (code, printed) = cut("wav", subtype)
    assert (code, files) == (1, [])
    assert "differs when read back; the disk may be failing" in printed.err


def test_a_plan_that_would_clip_is_refused(cut, monkeypatch):
    """The format is chosen before; should that fail, nothing is clipped all the same."""
    monkeypatch.setattr(cut_export, "_choose_subtype", lambda hits: ("PCM_24", [0] * len(hits)))
    _, files, (code, printed) = cut("wav", "FLOAT", gain=PEAK / 0.6)
    assert (code, files) == (1, [])
    assert "samples exceed full scale and would be clipped; nothing was written" in printed.err


def test_a_float_take_that_changed_is_not_planned(cut, tmp_path):
    hits, _, _ = cut("wav", "FLOAT")
    soundfile.write(hits[0].path, np.zeros((SR, 1)), SR, subtype="FLOAT")
    with pytest.raises(StoreError, match="has changed since it was scanned"):
        cut_export.plan_cut_export(hits, tmp_path / "again")

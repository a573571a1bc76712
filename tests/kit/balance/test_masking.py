"""Masking between the slots of a kit, against arithmetic."""

import numpy as np
import pytest

from catalog.audio.model import Audio
from catalog.kit.balance import measure_masking
from catalog.kit.levels import Levels
from catalog.kit.model import Kit
from catalog.search.drums.drum_pitch import estimate_drum_pitches
from tests.kit.drums import SR, make_hit


def tone(hz: float, level: float) -> Audio:
    time_s = np.arange(SR // 2) / SR
    wave = level * np.sin(2 * np.pi * hz * time_s) * np.exp(-time_s / 0.1)
    return Audio(wave[:, None].astype(np.float32), SR, "WAV", "FLOAT")


def test_overlap_is_one_for_equal_spectra_and_zero_for_distant_tones():
    sounds = {1: tone(80, 0.5), 2: tone(80, 0.1), 3: tone(4000, 0.3)}
    hits = {1: make_hit(1, "kick", body=80.0), 2: make_hit(2, "tom", body=80.0), 3: make_hit(3)}
    kit = Kit(slots={"kick": (1,), "tom_low": (2,), "snare": (3,)})
    levels = Levels({"kick": 0.0, "tom_low": 0.0, "snare": -6.0}, -1.0, ())
    found = measure_masking(
        kit,
        hits,
        levels,
        pitches=estimate_drum_pitches(hits.values()),
        read=lambda hit: sounds[hit.id],
    )
    assert np.allclose(found.overlap, found.overlap.T)
    assert np.allclose(np.diag(found.overlap), 1.0)
    assert found.overlap[0, 1] > 0.99
    assert found.overlap[0, 2] < 0.02
    assert found.level_lkfs[0] - found.level_lkfs[1] == pytest.approx(20 * np.log10(5), abs=0.01)
    assert found.notes[0] == "D#2 +49 c"  # 80 Hz by hand: 12·log2(80/440) = -29.51 from A4
    assert any(line.startswith("kick and low tom: bodies 0.0 semitones") for line in found.lines)
    assert any("of their energy in the same bands, kick 14 dB louder" in x for x in found.lines)


def test_tuning_moves_spectrum_and_pitch():
    hits = {1: make_hit(1, "tom", body=500.0)}
    kit = Kit(slots={"tom_low": (1,)}).with_tuning("tom_low", 3.0)
    levels = Levels({"tom_low": 0.0}, -1.0, ())
    found = measure_masking(
        kit,
        hits,
        levels,
        pitches=estimate_drum_pitches(hits.values()),
        read=lambda _: tone(500, 0.3),
    )
    strongest = found.bands_hz[int(np.argmax(found.spectrum_db[0]))]
    assert strongest == pytest.approx(630, rel=0.01)  # 500 Hz a minor third up is 595 Hz
    assert found.pitch_hz[0] == pytest.approx(594.6, abs=0.1)


def test_silence_overlaps_nothing():
    hits = {1: make_hit(1), 2: make_hit(2, "kick")}
    kit, levels = Kit(slots={"snare": (1,), "kick": (2,)}), Levels({"snare": 0, "kick": 0}, -1, ())
    silent = Audio(np.zeros((100, 1), np.float32), SR, "WAV", "FLOAT")
    found = measure_masking(kit, hits, levels, pitches={}, read=lambda _: silent)
    assert found.overlap.max() == 0.0
    assert np.isfinite(found.spectrum_db).all()

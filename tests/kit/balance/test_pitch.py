"""Pitch of toms: known answers from an ideal membrane, and which pitches are measured."""

import csv
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from catalog.audio.model import Audio
from catalog.errors import AudioError
from catalog.features.descriptors import body_frequency
from catalog.kit.balance import measure_pitches
from catalog.kit.balance.pitch import drum_pitch
from catalog.kit.model import Kit
from catalog.kit.strokes import StrokeReader
from catalog.models import Hit
from tests.kit.drums import SR, make_hit

# Zeros of the Bessel functions J0, J1, J2, J0, J3 over the first: the modes of an ideal membrane
# (T. D. Rossing, "Science of Percussion Instruments", World Scientific, 2000; from memory).
MODES = np.array([2.4048, 3.8317, 5.1356, 5.5201, 6.3802]) / 2.4048
DEMO = Path(__file__).parents[3] / "demo_library"
DEMO_TOMS_HZ = {"loft tom": 148.0, "boathouse rack tom": 124.0, "boathouse floor tom": 79.0}
DEMO_CENTS = 130.0  # tolerance: strokes of these models start up to 7 % sharp
CENTS = 15.0  # tolerance: a pitch bend of 6 % is not over when the measurement begins


def membrane(hz: float, *, second: float, bend: float = 0.0, sr: int = SR) -> np.ndarray:
    """A struck membrane, with the second mode at `second` times the amplitude of the first."""
    rng = np.random.default_rng(round(hz))
    time_s = np.arange(round(0.8 * sr)) / sr
    phase = 2 * np.pi * np.cumsum(hz * (1 + bend * np.exp(-time_s / 0.05))) / sr
    modes = (
        level * np.sin(mode * phase + rng.uniform(0, 2 * np.pi)) * np.exp(-time_s * mode / 0.2)
        for mode, level in zip(MODES, (1.0, second, 0.4, 0.3, 0.2), strict=True)
    )
    stick = 0.3 * rng.standard_normal(len(time_s)) * np.exp(-time_s / 0.01)
    return np.asarray(sum(modes) + stick)


def cents(hz: float, expected: float) -> float:
    return float(abs(1200 * np.log2(hz / expected)))


@pytest.mark.parametrize("hz", [62.0, 90.0, 131.0, 210.0])
@pytest.mark.parametrize("second", [0.3, 1.0, 3.0])
@pytest.mark.parametrize("bend", [0.0, 0.06])
def test_the_fundamental_of_a_membrane_is_found_below_a_stronger_mode(hz, second, bend):
    assert cents(drum_pitch(membrane(hz, second=second, bend=bend), sr=SR), hz) < CENTS


def test_the_strongest_frequency_would_be_the_second_mode():
    assert cents(body_frequency(membrane(90.0, second=3.0), sr=SR), 90.0 * MODES[1]) < CENTS


@pytest.mark.parametrize("sr", [22_050, 48_000, 96_000])
def test_level_polarity_rate_and_leading_silence_do_not_change_the_pitch(sr):
    silence = np.zeros(round(0.2 * sr))
    stroke = np.concatenate([silence, -0.01 * membrane(110.0, second=1.0, sr=sr)])
    assert cents(drum_pitch(stroke, sr=sr), 110.0) < CENTS


@pytest.mark.parametrize("n", [0, 1, 100, SR])
def test_silence_has_no_pitch(n):
    assert np.isnan(drum_pitch(np.zeros(n), sr=SR))


def test_toms_are_measured_and_a_kick_keeps_its_strongest_frequency():
    hits = {1: make_hit(1, "tom", body=143.0), 2: make_hit(2, "kick", body=143.0)}
    hits[3] = replace(make_hit(3, "tom"), descriptors={"body_hz": np.nan})
    kit = Kit(slots={"tom_low": (1,), "kick": (2,), "tom_mid": (3,), "tom_high": ()})
    samples = membrane(90.0, second=3.0)[:, None].astype(np.float32)
    pitches = measure_pitches(kit, hits, read=lambda hit: Audio(samples, SR, "WAV", "FLOAT"))
    assert set(pitches) == {"kick", "tom_low"}
    assert pitches["kick"] == 143.0
    assert cents(pitches["tom_low"], 90.0) < CENTS


def test_the_stored_frequency_replaces_that_of_a_recording_that_cannot_be_read():
    def gone(hit: Hit) -> Audio:
        raise AudioError(hit.path, "is missing")

    hits, kit = {1: make_hit(1, "tom", body=100.0)}, Kit(slots={"tom_low": (1,)})
    assert measure_pitches(kit, hits, read=StrokeReader(gone)) == {"tom_low": 100.0}


def test_every_tom_of_the_demo_library_has_the_pitch_of_its_model():
    with (DEMO / "truth.csv").open(encoding="utf-8", newline="") as file:
        toms = [row for row in csv.DictReader(file) if row["role"] == "tom" and not row["fault"]]
    for row in toms:
        samples, sr = soundfile.read(DEMO / row["path"], always_2d=True)
        pitch_hz = drum_pitch(samples.mean(axis=1), sr=sr)
        assert cents(pitch_hz, DEMO_TOMS_HZ[row["drum"]]) < DEMO_CENTS
    assert len(toms) > 20


def test_librosa_is_imported_only_when_a_pitch_is_measured():
    code = (
        "import sys, catalog.catalog\n"
        "import catalog.services.kit.kit_sound, catalog.library.scan.scanner\n"
        "sys.exit('librosa' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

"""Spectral descriptors against librosa, an independent and widely used implementation."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.features import descriptors as d
from tests.signals import SR, drum_stroke

librosa = pytest.importorskip("librosa")


@pytest.fixture(scope="module")
def spectrum():
    return d.mean_spectrum(drum_stroke(120, seed=3), sr=SR)


def test_the_centroid_is_librosas(spectrum):
    hz, power = spectrum
    theirs = librosa.feature.spectral_centroid(S=power[:, None], freq=hz)
    assert d.spectral_centroid(hz, power) == pytest.approx(float(theirs[0, 0]), rel=1e-6)


def test_the_rolloff_is_librosas(spectrum):
    hz, power = spectrum
    theirs = librosa.feature.spectral_rolloff(S=power[:, None], freq=hz)
    assert d.spectral_rolloff(hz, power) == pytest.approx(float(theirs[0, 0]), rel=1e-6)


def test_the_flatness_is_librosas(spectrum):
    _, power = spectrum
    theirs = librosa.feature.spectral_flatness(
        S=power[:, None], power=1.0, amin=1e-10 * power.max()
    )
    assert d.spectral_flatness(power) == pytest.approx(float(theirs[0, 0]), rel=1e-4)


def test_the_mean_spectrum_is_the_mean_of_librosas_frames():
    y = drum_stroke(120, seed=3)[:16_384]
    frames = (
        np.abs(librosa.stft(y, n_fft=4096, hop_length=2048, center=True, pad_mode="constant")) ** 2
    )
    _, power = d.mean_spectrum(y, sr=SR)
    share = power / power.sum()
    assert share == pytest.approx(frames.mean(axis=1) / frames.mean(axis=1).sum(), abs=2e-4)


def test_1000_hz_is_15_mel_on_slaneys_scale():
    """M. Slaney, Auditory Toolbox, 1998: 15 mel at 1000 Hz, where the scale turns logarithmic."""
    assert float(librosa.hz_to_mel(1000.0)) == pytest.approx(15.0)


def test_notes_are_named_as_librosa_names_them():
    for hz in (55.0, 65.4, 123.0, 440.0):
        ours = d.note_name(hz).split()[0]
        assert ours == str(librosa.hz_to_note(hz, unicode=False))

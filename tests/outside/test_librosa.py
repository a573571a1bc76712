"""Spectral descriptors against librosa, an independent and widely used implementation."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.features.descriptors.note_names import note_name
from catalog.features.tone import brightness as b
from tests.signals import SR, drum_stroke

librosa = pytest.importorskip("librosa")


@pytest.fixture(scope="module")
def spectrum():
    return b.mean_spectrum(drum_stroke(120, seed=3), sr=SR)


@pytest.mark.parametrize("name", ["spectral_centroid", "spectral_rolloff"])
def test_centroid_and_rolloff_agree_with_librosa(spectrum, name):
    hz, power = spectrum
    theirs = getattr(librosa.feature, name)(S=power[:, None], freq=hz)
    assert getattr(b, name)(hz, power) == pytest.approx(float(theirs[0, 0]), rel=1e-6)


def test_the_flatness_agrees_with_librosa(spectrum):
    _, power = spectrum
    least = 1e-10 * power.max()
    theirs = librosa.feature.spectral_flatness(S=power[:, None], power=1.0, amin=least)
    assert b.spectral_flatness(power) == pytest.approx(float(theirs[0, 0]), rel=1e-4)


def test_the_mean_spectrum_agrees_with_the_frames_of_librosa():
    n = b.frame_length(SR)
    y = drum_stroke(120, seed=3)[: 4 * n]
    spectra = librosa.stft(y, n_fft=n, hop_length=n // 2, center=True, pad_mode="constant")
    _, power = b.mean_spectrum(y, sr=SR)
    frames = np.abs(spectra[: len(power)]) ** 2
    share = power / power.sum()
    assert share == pytest.approx(frames.mean(axis=1) / frames.mean(axis=1).sum(), abs=2e-4)


def test_note_names_agree_with_librosa():
    for hz in (55.0, 65.4, 123.0, 440.0):
        ours = note_name(hz).split()[0]
        assert ours == str(librosa.hz_to_note(hz, unicode=False))

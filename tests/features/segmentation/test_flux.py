"""The spectral flux shows a burst in many bands, and no tone, beat or noise."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.features.segmentation.flux import spectral_flux
from tests.signals import SR, decaying_noise, decaying_sine


def flux_db(mono):
    return spectral_flux(mono, sr=SR).flux


def test_a_burst_is_the_highest_flux_and_lies_at_its_onset():
    mono = np.concatenate([np.zeros(SR // 2, np.float32), decaying_noise(0.3, seed=1)])
    found = spectral_flux(mono + 1e-4 * decaying_noise(90.0, seed=2, length_s=1.1), sr=SR)
    assert int(np.argmax(found.flux)) * found.hop / SR == pytest.approx(0.5, abs=0.012)
    assert found.flux.max() > 20.0


def test_steady_noise_and_beating_tones_have_little_flux():
    noise = decaying_noise(90.0, seed=3, length_s=2.0)
    tones = decaying_sine(900, 9.0, length_s=2.0) + decaying_sine(905, 9.0, length_s=2.0)
    assert flux_db(noise)[20:].max() < 1.2
    assert flux_db(tones)[20:-20].max() < 1.2


def test_a_change_of_gain_changes_no_flux_above_the_floor():
    noise = decaying_noise(0.5, seed=4)
    assert flux_db(noise) == pytest.approx(flux_db(0.5 * noise), abs=0.2)


@pytest.mark.parametrize(("sr", "n_bands"), [(8_000, 12), (44_100, 19), (96_000, 19)])
def test_bands_have_the_same_frequencies_at_every_rate_up_to_what_it_holds(sr, n_bands):
    tone = np.sin(2 * np.pi * 1000 * np.arange(sr) / sr).astype(np.float32)
    levels = spectral_flux(tone, sr=sr).levels
    middle = levels[:, levels.shape[1] // 2]
    assert int(np.argmax(middle)) == 7  # 865 to 1109 Hz
    assert np.count_nonzero(middle > middle.min()) <= n_bands

"""The embedding depends on the sound and not on its gain, position or sample rate."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.errors import ParameterError
from catalog.features.embedding import EMBEDDING_BLOCKS, EMBEDDING_DIM, spectrogram
from catalog.features.embedding.timbre import N_TIMBRE
from catalog.features.embedding.vector import standardize_embeddings
from catalog.features.measure import measure_audio
from tests.signals import SR, as_frames, decaying_noise, decaying_sine, drum_stroke


def embed(samples: np.ndarray, sr: int = SR) -> np.ndarray:
    return measure_audio(Audio(samples, sr, "WAV", "FLOAT")).embedding


def test_blocks_cover_the_embedding_without_gap_or_overlap():
    numbers = np.arange(EMBEDDING_DIM)
    covered = np.concatenate([numbers[block] for block in EMBEDDING_BLOCKS.values()])
    assert np.array_equal(covered, numbers)
    assert EMBEDDING_BLOCKS["timbre"].stop - EMBEDDING_BLOCKS["timbre"].start == N_TIMBRE


@given(gain_db=st.floats(-40, 6), polarity=st.sampled_from([-1, 1]), seed=st.integers(0, 30))
@settings(max_examples=20, deadline=None)
def test_gain_and_polarity_do_not_change_the_embedding(gain_db, polarity, seed):
    y = as_frames(drum_stroke(90, seed=seed))
    changed = (polarity * y * 10 ** (gain_db / 20)).astype(np.float32)
    assert embed(changed) == pytest.approx(embed(y), abs=2e-3)


def test_leading_silence_does_not_change_the_embedding():
    y = drum_stroke(90)
    later = np.concatenate([np.zeros(12_345, np.float32), y])
    assert embed(as_frames(later)) == pytest.approx(embed(as_frames(y)), abs=1e-4)


def test_the_sample_rate_hardly_changes_the_embedding():
    y = drum_stroke(90)
    for sr in (44_100, 96_000):
        other = embed(as_frames(resample(y, sr=SR, to_sr=sr)), sr)
        bands = EMBEDDING_BLOCKS["spectrogram"]
        assert np.abs(other[bands] - embed(as_frames(y))[bands]).mean() < 0.02


def bands_over_time(y: np.ndarray) -> np.ndarray:
    powers = spectrogram.frame_powers(y / np.abs(y).max())
    return spectrogram.band_spectrogram(powers).reshape(-1, spectrogram.N_BANDS)


@pytest.mark.parametrize("hz", [100.0, 1000.0, 8000.0])
def test_a_tone_is_strongest_in_its_band(hz):
    bands = bands_over_time(decaying_sine(hz, 2.0, sr=spectrogram.SR))
    corners = np.geomspace(*spectrogram.BAND_RANGE_HZ, spectrogram.N_BANDS + 2)
    band = int(bands[6].argmax())
    assert corners[band] < hz < corners[band + 2]


def test_time_segments_after_a_short_hit_are_empty():
    bands = bands_over_time(decaying_noise(0.05, seed=1, length_s=0.1, sr=spectrogram.SR))
    assert bands[:4].min() > 0.1
    assert bands[-4:].max() == 0.0


def test_triangular_filters_add_up_to_1():
    weights = spectrogram.triangles(20, (1000.0, 10_000.0), n_fft=4096, sr=SR)
    inside = weights.sum(axis=0)[150:700]
    assert inside == pytest.approx(np.ones(550), abs=1e-5)


@pytest.mark.parametrize("n", [30, 441, 5000])
def test_very_short_input_gives_a_finite_embedding(n):
    y = np.zeros(n, np.float32)
    y[n // 2] = 0.5
    row = embed(as_frames(y))
    assert row.shape == (EMBEDDING_DIM,)
    assert np.isfinite(row).all()


@pytest.mark.parametrize("sr", [8_000, 192_000])
def test_extreme_sample_rates_give_a_finite_embedding(sr):
    assert np.isfinite(embed(as_frames(drum_stroke(90, sr=sr), 8), sr)).all()


def test_nan_is_refused():
    y = as_frames(drum_stroke())
    y[100] = np.nan
    with pytest.raises(ParameterError, match="not numbers"):
        embed(y)


def test_the_standardized_timbre_block_is_clipped():
    rows = np.zeros((2, EMBEDDING_DIM), np.float32)
    rows[1] = 1e6
    out = standardize_embeddings(rows, np.zeros(EMBEDDING_DIM), np.ones(EMBEDDING_DIM))
    assert out[1, EMBEDDING_BLOCKS["timbre"]].max() == 5.0
    assert out[1, 0] == pytest.approx(1e6)

"""Falls and rises by blocks agree with sums over all samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.features import envelope as e
from tests.oracles import energy_left
from tests.signals import SR, decaying_noise


@given(st.integers(1, 90), st.floats(0.001, 0.999), st.integers(0, 50))
@settings(deadline=None)
def test_a_fall_reaches_a_share_where_the_plain_sum_does(n, share, seed):
    samples = np.random.default_rng(seed).normal(size=n)
    plain = [left > share for left in energy_left(samples)]
    assert e.energy_decay(samples).first_below(share) == sum(plain)


@pytest.mark.parametrize("n", [1, 7, 16, 17, 1000])
def test_energies_of_blocks_add_up(n):
    samples = decaying_noise(0.1, seed=1, length_s=0.02)
    energy = e.block_energy(samples, n)
    assert len(energy) == -(-len(samples) // n)
    assert energy.sum() == pytest.approx(
        float(np.square(samples, dtype=np.float64).sum()), rel=1e-5
    )


@pytest.mark.parametrize("n", [3, 88, 89, 500])
def test_the_envelope_is_the_plain_sliding_mean(n):
    samples = np.random.default_rng(n).normal(size=n)
    w = round(e.ENVELOPE_S * SR)
    plain = [np.square(samples[max(0, i - w // 2) : i + w - w // 2]).sum() / w for i in range(n)]
    assert e.envelope(samples, sr=SR) == pytest.approx(np.sqrt(plain), abs=1e-9)


def test_the_attack_looks_no_further_than_it_must():
    """What is cut away before the envelope is taken changes no result."""
    for seed in range(8):
        y = decaying_noise(0.2, seed=seed)
        y[: 200 * seed] *= np.linspace(0, 1, 200 * seed)
        level = e.envelope(y[: SR // 2], sr=SR)
        reached = int(np.argmax(level >= 0.9 * level.max()))
        below = np.flatnonzero(level[: reached + 1] < 0.1 * level.max())
        plain = reached - (int(below[-1]) if len(below) else 0)
        assert e.attack_time(y, sr=SR) == plain / SR


@pytest.mark.parametrize("t60", [0.05, 2.0])
def test_a_fall_is_fitted_alike_by_samples_and_by_blocks(t60, monkeypatch):
    y = decaying_noise(t60, seed=2)
    by_default = e.reverberation_time(e.energy_decay(y), sr=SR)
    monkeypatch.setattr(e, "FINE_FIT", 10**9)
    assert e.reverberation_time(e.energy_decay(y), sr=SR) == pytest.approx(by_default, rel=0.01)

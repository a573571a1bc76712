"""Decays have known values, and blocks agree with sums over all samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.errors import ParameterError
from catalog.features import envelope as e
from tests.oracles import energy_left
from tests.signals import SR, decaying_noise


@given(st.integers(1, 90), st.floats(0.001, 0.999), st.integers(0, 50))
@settings(deadline=None)
def test_a_decay_falls_below_a_share_where_plain_sums_do(n, share, seed):
    samples = np.random.default_rng(seed).normal(size=n)
    plain = [left > share for left in energy_left(samples)]
    assert e.energy_decay(samples).first_below(share) == sum(plain)


@pytest.mark.parametrize("n", [1, 7, 16, 17, 1000])
def test_block_energies_add_up(n):
    samples = decaying_noise(0.1, seed=1, length_s=0.02)
    energy = e.block_energy(samples, n)
    assert len(energy) == -(-len(samples) // n)
    plain = float(np.square(samples, dtype=np.float64).sum())
    assert energy.sum() == pytest.approx(plain, rel=1e-5)


@pytest.mark.parametrize("t60", [0.05, 2.0])
def test_a_decay_is_fitted_alike_at_samples_and_at_blocks(t60, monkeypatch):
    y = decaying_noise(t60, seed=2)
    by_default = e.reverberation_time(e.energy_decay(y), sr=SR)
    monkeypatch.setattr(e, "FINE_FIT", 10**9)
    assert e.reverberation_time(e.energy_decay(y), sr=SR) == pytest.approx(by_default, rel=0.01)


def test_an_exponential_falls_20_db_in_a_third_of_its_t60():
    t = np.arange(SR * 2) / SR
    y = 10 ** (-3 * t / 0.9)  # amplitude; energy falls 60 dB in 0.9 s
    assert e.decay_time(e.energy_decay(y), sr=SR) == pytest.approx(0.3, abs=2 / SR)


@pytest.mark.parametrize(("sr", "drop"), [(0, 20), (SR, 0), (SR, -3)])
def test_a_sample_rate_or_drop_of_0_is_refused(sr, drop):
    with pytest.raises(ParameterError, match="above 0"):
        e.decay_time(e.energy_decay(np.ones(9)), sr=sr, drop_db=drop)

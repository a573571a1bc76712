from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.features.embedding.timbre import remaining_energy
from tests.oracles import energy_left


@given(st.lists(st.floats(-1, 1, width=32), min_size=1, max_size=60).filter(lambda v: any(v)))
@settings(deadline=None)
def test_remaining_energy_agrees_with_plain_sums(values):
    samples = np.array(values, np.float64)
    if np.square(samples).sum() > 1e-20:
        assert remaining_energy(np.square(samples)) == pytest.approx(energy_left(samples), abs=1e-9)

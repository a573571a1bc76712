"""Scores of detected onsets against mir_eval, which implements the onset task of MIREX."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.strokes import match_onsets

onset = pytest.importorskip("mir_eval.onset")


@pytest.mark.parametrize("window_s", [0.050, 0.005])
@pytest.mark.parametrize("seed", range(5))
def test_the_f_measure_of_onsets_equals_that_of_mir_eval(seed, window_s):
    """C. Raffel et al., "mir_eval", Proc. 15th ISMIR, 2014; `mir_eval.onset.f_measure`."""
    rng = np.random.default_rng(seed)
    true_s = np.sort(rng.uniform(0, 10, 40))
    found_s = np.sort(
        np.concatenate([true_s[:30] + rng.normal(0, 0.02, 30), rng.uniform(0, 10, 8)])
    )
    expected, *_ = onset.f_measure(true_s, found_s, window=window_s)
    n_hits = len(match_onsets(list(true_s), list(found_s), window_s=window_s))
    assert 2 * n_hits / (len(true_s) + len(found_s)) == pytest.approx(expected)

from __future__ import annotations

from catalog.features.segmentation.multi_onset import may_hold_multiple_onsets
from tests.signals import SR, mix_take, strokes_at


def test_only_takes_with_several_strokes_need_the_full_segmentation():
    assert may_hold_multiple_onsets(mix_take(strokes_at([0.4, 1.5, 2.1, 3.6])), sr=SR)
    assert not may_hold_multiple_onsets(mix_take(strokes_at([0.05])), sr=SR)

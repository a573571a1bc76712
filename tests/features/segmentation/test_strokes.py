from __future__ import annotations

import numpy as np

from catalog.features.segmentation.rises import Rise
from catalog.features.segmentation.strokes import select_strokes


def test_a_rise_rejected_over_a_ring_does_not_count_as_talk_before_the_next_stroke():
    level = np.maximum(np.linspace(-5.0, -45.0, 4000), -25.0)  # a ring; the noise is at -33 dB
    level[2600:2620] = -24.0
    level[2800:2900] = -8.0
    first, rejected = Rise(0, 0, 28.0, 0.0, 28.0), Rise(2600, 2, 11.0, 0.0, -2.0)
    loud = Rise(2800, 1, 25.0, 0.0, 8.0)
    assert select_strokes([first, rejected, loud], level, -33.0) == [first, loud]

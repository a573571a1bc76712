"""Lengths of segments: the longest that has a fast transform."""

from __future__ import annotations

import pytest
from scipy.fft import next_fast_len

from catalog.matching.cells import fast_fft_length


@pytest.mark.parametrize("n", [1, 2, 13, 441, 882, 1763, 5003, 19_845])
def test_a_length_is_reduced_to_the_longest_with_a_fast_transform(n):
    # scipy.fft.next_fast_len: the lengths that its transforms are made for
    length = fast_fft_length(n)
    assert next_fast_len(length) == length
    assert length <= n
    assert next_fast_len(length + 1) > n

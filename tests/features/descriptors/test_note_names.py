"""The nearest note of a pitch has its name."""

from __future__ import annotations

import math

import pytest

from catalog.features.descriptors.note_names import note_name


@pytest.mark.parametrize(
    ("hz", "name"), [(440.0, "A4 +0 c"), (55.0, "A1 +0 c"), (111.0, "A2 +16 c"), (math.nan, "")]
)
def test_notes_are_named_for_a4_at_440_hz(hz, name):
    assert note_name(hz) == name

"""Strokes for a kit: decoded once within a bound of bytes, mixed to at most two channels, faded."""

import numpy as np
import pytest

from catalog.audio.model import Audio
from catalog.errors import AudioError, KitError
from catalog.kit.strokes import StrokeReader, fade_end
from catalog.models import Hit
from tests.kit.drums import SR, make_hit, make_stroke


def test_each_stroke_is_decoded_once_while_it_fits_into_the_cache():
    decoded: list[int] = []

    def read(hit: Hit) -> Audio:
        decoded.append(hit.id)
        return make_stroke(hit)

    n_bytes = make_stroke(make_hit(1)).samples.nbytes
    strokes = StrokeReader(read, max_bytes=2 * n_bytes)
    for _ in range(2):
        for hit_id in (1, 2, 3):
            strokes(make_hit(hit_id))
    assert decoded == [1, 2, 3, 3]
    assert StrokeReader.of(strokes) is strokes


def test_a_stroke_that_cannot_be_used_is_refused_by_its_name():
    def broken(hit: Hit) -> Audio:
        raise AudioError(hit.path, "is missing")

    with pytest.raises(KitError, match=r"hit snare_1 cannot be read: .*is missing"):
        StrokeReader(broken)(make_hit(1))
    for samples in (np.zeros((0, 1)), np.full((9, 1), np.nan)):
        bad = Audio(samples.astype(np.float32), SR, "WAV", "FLOAT")
        with pytest.raises(KitError, match="holds no samples or values that are not numbers"):
            StrokeReader(lambda hit, bad=bad: bad)(make_hit(1))


def test_an_end_cut_before_the_decay_is_faded_and_another_is_unchanged():
    ringing = np.full((4410, 1), 0.5, dtype=np.float32)
    faded = fade_end(ringing, sr=SR)
    assert abs(faded[-1, 0]) < 1e-3
    assert np.array_equal(faded[:-221], ringing[:-221])
    quiet = make_stroke(make_hit(1)).samples
    assert np.array_equal(fade_end(quiet, sr=SR), quiet)

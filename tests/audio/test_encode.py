from __future__ import annotations

import numpy as np
import pytest

from catalog.audio.encode import encode_wav
from catalog.errors import ParameterError
from tests.signals import SR, as_frames, decaying_sine


def test_float_files_carry_no_time_stamp():
    samples = as_frames(decaying_sine(200, 0.3))
    first = encode_wav(samples, sr=SR, subtype="FLOAT")
    at = first.index(b"PEAK")
    assert first[at + 12 : at + 16] == bytes(4)


def test_encoding_no_samples_is_refused():
    with pytest.raises(ParameterError, match="nothing to encode"):
        encode_wav(np.zeros((0, 1)), sr=SR)

"""Decoded audio, file headers, sample formats, and the limits for reading files."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

MAX_CHANNELS = 64  # multitrack recorders have no more; a larger count means a broken header
MAX_SAMPLE = 1e6  # of full scale, +120 dBFS; larger floats are not audio and can overflow
SR_RANGE_HZ = (4_000, 768_000)  # speech recorders use 8,000; a rate outside means a broken header
MAX_VALUES = 250_000_000  # samples over all channels, 1 GB as float32; longer files are refused


class SampleFormat(NamedTuple):
    """Size and precision of one stored sample."""

    bits: int
    precision_bits: int
    encoding: str


# Lossless sample formats by libsndfile's name of the subtype; ALAC names follow the same pattern.
# Decoding to float32 keeps a significand of 24 bits and a sign.
SAMPLE_FORMATS: dict[str, SampleFormat] = {
    "PCM_S8": SampleFormat(8, 8, "signed"),
    "PCM_U8": SampleFormat(8, 8, "unsigned"),
    "PCM_16": SampleFormat(16, 16, "signed"),
    "PCM_24": SampleFormat(24, 24, "signed"),
    "PCM_32": SampleFormat(32, 32, "signed"),
    "ALAC_16": SampleFormat(16, 16, "alac"),
    "ALAC_20": SampleFormat(20, 20, "alac"),
    "ALAC_24": SampleFormat(24, 24, "alac"),
    "ALAC_32": SampleFormat(32, 32, "alac"),
    "FLOAT": SampleFormat(32, 25, "float"),
    "DOUBLE": SampleFormat(64, 25, "float"),
}
PCM_BITS = {name: f.bits for name, f in SAMPLE_FORMATS.items() if f.encoding == "signed"}
FLOAT_SUBTYPES = frozenset(name for name, f in SAMPLE_FORMATS.items() if f.encoding == "float")
LOSSY_SUBTYPES = frozenset(
    {"AAC", "VORBIS", "OPUS", "MPEG_LAYER_I", "MPEG_LAYER_II", "MPEG_LAYER_III"}
)


@dataclass(frozen=True, eq=False)
class Audio:
    """Decoded audio and the format of its file.

    Attributes
    ----------
    samples : np.ndarray, float32, shape (n_frames, n_channels), full scale 1.0
        floating-point files may exceed full scale
    sr : int, Hz
    container, subtype : str, as libsndfile names them, such as "WAV" and "PCM_24"
    """

    samples: np.ndarray
    sr: int
    container: str
    subtype: str


class Header(NamedTuple):
    """Sample rate in Hz, frames, channels and subtype ("PCM_24") from a file header."""

    sr: int
    n_frames: int
    n_channels: int
    subtype: str

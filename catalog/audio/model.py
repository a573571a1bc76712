"""Decoded audio, the header of a file, and the limits within which files are read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

LOSSY = frozenset({"AAC", "VORBIS", "OPUS", "MPEG_LAYER_I", "MPEG_LAYER_II", "MPEG_LAYER_III"})


MAX_CHANNELS = 64  # more is a broken header: recorders stop at 64


SR_RANGE_HZ = (4_000, 768_000)  # outside it is a broken header; speech recorders start at 8,000


MAX_VALUES = 250_000_000  # samples over all channels, 1 GB as float32; a longer file is no hit


@dataclass(frozen=True, eq=False)
class Audio:
    """Decoded audio and how it was kept.

    Attributes
    ----------
    samples : np.ndarray, float32, shape (n_frames, n_channels), full scale 1.0
        files of floating-point numbers may go beyond full scale
    sr : int, Hz
    container, subtype : str, as libsndfile names them, such as "WAV" and "PCM_24"
    """

    samples: np.ndarray
    sr: int
    container: str
    subtype: str


class Header(NamedTuple):
    """What a file says of itself: sample rate in Hz, frames, channels, "PCM_24" and the like."""

    sr: int
    n_frames: int
    n_channels: int
    subtype: str

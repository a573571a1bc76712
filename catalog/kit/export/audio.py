"""The audio files of an exported kit: encoded with gain and dither, and read back."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_audio
from catalog.audio.model import Audio
from catalog.errors import KitError
from catalog.kit.export.options import ExportOptions

READ_BACK_STEPS = 1.5  # of the format, by which rounding and dither may move a sample, and one more


@dataclass(frozen=True)
class WrittenAudio:
    """An audio file as it was read back.

    Attributes
    ----------
    sha256 : str, hexadecimal, of the whole file
    sr : int, Hz
    n_channels, n_frames : int
    peak_dbfs : float, -inf for silence
    """

    sha256: str
    sr: int
    n_channels: int
    n_frames: int
    peak_dbfs: float


def encode_stroke(audio: Audio, *, gain_db: float, options: ExportOptions) -> bytes:
    """Encode one audio file of an exported kit.

    Parameters
    ----------
    audio : Audio
    gain_db : float, dB
    options : ExportOptions

    Returns
    -------
    bytes
        16 bits carry triangular dither two steps wide, which decorrelates the rounding error
    """
    samples = _with_gain(audio, gain_db)
    if options.subtype == "PCM_16":
        rng = np.random.default_rng(len(samples))
        samples = samples + (rng.random(samples.shape) - rng.random(samples.shape)) * options.step
    return encode_audio(samples, sr=audio.sr, container=options.container, subtype=options.subtype)


def verify_stroke(
    path: Path, audio: Audio, *, gain_db: float, options: ExportOptions
) -> WrittenAudio:
    """Decode a written file and compare it with the samples that it should hold.

    Parameters
    ----------
    path : Path
    audio : Audio, what was encoded
    gain_db : float, dB
    options : ExportOptions

    Raises
    ------
    KitError
        if its rate, frames, channels or samples differ
    """
    expected, decoded = _with_gain(audio, gain_db), decode_file(path)
    limited = expected if options.subtype == "FLOAT" else np.clip(expected, -1.0, 1.0)
    tolerance = READ_BACK_STEPS * options.step * (2 if options.subtype == "PCM_16" else 1)
    tolerance *= max(1.0, float(np.abs(limited).max()))
    if decoded.sr != audio.sr or decoded.samples.shape != expected.shape:
        raise KitError(f"{path.name} did not read back: other rate, frames or channels")
    if float(np.abs(decoded.samples - limited).max()) > tolerance:
        raise KitError(f"{path.name} did not read back: other samples")
    peak = float(np.abs(decoded.samples).max())
    return WrittenAudio(
        sha256=hashlib.sha256(path.read_bytes()).hexdigest(),
        sr=decoded.sr,
        n_channels=decoded.samples.shape[1],
        n_frames=len(decoded.samples),
        peak_dbfs=20.0 * math.log10(peak) if peak > 0 else -math.inf,
    )


def _with_gain(audio: Audio, gain_db: float) -> np.ndarray:
    return np.asarray(audio.samples, dtype=np.float64) * 10.0 ** (gain_db / 20.0)

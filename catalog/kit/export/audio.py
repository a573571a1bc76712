"""The audio files of an exported kit: encoded with dither, and read back."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_audio
from catalog.audio.model import Audio
from catalog.errors import KitError
from catalog.kit.export.options import ExportOptions

READ_BACK_STEPS = 1.5  # of the format, by which rounding and dither may move a sample, and one more


def apply_gain(audio: Audio, gain_db: float) -> Audio:
    """Return audio with a gain in dB, in double precision."""
    samples = np.asarray(audio.samples, dtype=np.float64) * 10.0 ** (gain_db / 20.0)
    return replace(audio, samples=samples)


def encode_stroke(audio: Audio, options: ExportOptions) -> bytes:
    """Encode one audio file of an exported kit.

    16 bits carry triangular dither two steps wide, which decorrelates the rounding error. The
    samples are its seed, so that equal strokes give equal files and others have other dither.
    """
    samples = audio.samples
    if options.subtype == "PCM_16":
        digest = hashlib.sha256(np.ascontiguousarray(samples).tobytes()).digest()
        rng = np.random.default_rng(int.from_bytes(digest[:16], "big"))
        samples = samples + (rng.random(samples.shape) - rng.random(samples.shape)) * options.step
    return encode_audio(samples, sr=audio.sr, container=options.container, subtype=options.subtype)


def verify_stroke(path: Path, audio: Audio, options: ExportOptions) -> Audio:
    """Decode a written file and compare it with the audio that it should hold.

    Raises
    ------
    KitError
        if its rate, frames, channels or samples differ
    """
    expected, decoded = audio.samples, decode_file(path)
    limited = expected if options.subtype == "FLOAT" else np.clip(expected, -1.0, 1.0)
    tolerance = READ_BACK_STEPS * options.step * (2 if options.subtype == "PCM_16" else 1)
    tolerance *= max(1.0, float(np.abs(limited).max()))
    if decoded.sr != audio.sr or decoded.samples.shape != expected.shape:
        raise KitError(f"{path.name} differs when read back: other rate, frames or channels")
    if float(np.abs(decoded.samples - limited).max()) > tolerance:
        raise KitError(f"{path.name} differs when read back: other samples")
    return decoded

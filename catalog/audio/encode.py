"""Encode samples as WAV, FLAC and other formats."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np

from catalog.audio.model import PCM_BITS, Audio
from catalog.errors import ParameterError

FLOAT_TAG = struct.pack("<H", 3)  # WAVE_FORMAT_IEEE_FLOAT


def encode_audio(
    samples: np.ndarray,
    *,
    sr: int,
    container: str = "WAV",
    subtype: str = "PCM_24",
    compression: float | None = None,
) -> bytes:
    """Encode audio; integer samples are unchanged by decoding and encoding.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames,) or (n_frames, n_channels), full scale 1.0
        clipped at full scale when `subtype` is an integer format
    sr : int, Hz, above 0
    container, subtype : str, as libsndfile names them
    compression : float, optional
        0 (large) to 1 (small), for FLAC and the lossy formats; None is libsndfile's default

    Returns
    -------
    bytes
        the whole file; it carries no time stamp, so equal samples give equal bytes

    Raises
    ------
    ParameterError
        if there are no samples, or libsndfile cannot write that combination
    """
    import soundfile

    if samples.size == 0:
        raise ParameterError("samples is empty: there is nothing to encode")
    data = _to_pcm(samples, PCM_BITS[subtype]) if subtype in PCM_BITS else samples
    out = io.BytesIO()
    try:
        soundfile.write(
            out, data, sr, format=container, subtype=subtype, compression_level=compression
        )
    except (soundfile.LibsndfileError, ValueError, TypeError) as err:
        message = f"{container} with {subtype} at {sr} Hz cannot be written: {err}"
        raise ParameterError(message) from err
    return _add_extension_size(_clear_time_stamp(out.getvalue()))


def count_clipped(samples: np.ndarray, *, subtype: str = "PCM_24") -> int:
    """Return how many samples an integer format would cut off at full scale; 0 for others."""
    if subtype not in PCM_BITS:
        return 0
    steps, full_scale = _to_steps(samples, PCM_BITS[subtype])
    return int(np.count_nonzero((steps < -full_scale) | (steps > full_scale - 1)))


def is_written_exactly(path: str | Path, samples: np.ndarray, *, sr: int, subtype: str) -> bool:
    """Return whether a file holds the samples that `encode_audio` was given, to the last bit.

    Parameters
    ----------
    path : str or Path
    samples : np.ndarray, shape (n_frames, n_channels), full scale 1.0
    sr : int, Hz
    subtype : str, "FLOAT" or a signed integer format
    """
    import soundfile

    is_pcm = subtype in PCM_BITS
    try:
        with soundfile.SoundFile(path) as file:
            if (file.samplerate, file.subtype) != (sr, subtype):
                return False
            written = file.read(dtype="int32" if is_pcm else "float32", always_2d=True)
    except (soundfile.LibsndfileError, OSError, RuntimeError):
        return False
    expected = _to_pcm(samples, PCM_BITS[subtype]) if is_pcm else np.float32(samples)
    return np.array_equal(written, expected)


def encode_playable(audio: Audio) -> bytes:
    """Encode a 16-bit WAV file for playback: at most two channels, scaled down to full scale."""
    peak = float(np.abs(audio.samples).max(initial=0.0))
    samples = audio.samples / peak if peak > 1.0 else audio.samples
    return encode_wav(samples[:, :2], sr=audio.sr, subtype="PCM_16")


def encode_wav(samples: np.ndarray, *, sr: int, subtype: str = "PCM_24") -> bytes:
    """Encode a WAV file; see `encode_audio`."""
    return encode_audio(samples, sr=sr, container="WAV", subtype=subtype)


def _to_pcm(samples: np.ndarray, bits: int) -> np.ndarray:
    """Round to `bits` and left-align in int32, where libsndfile reads the most significant bits."""
    steps, full_scale = _to_steps(samples, bits)
    steps = np.clip(steps, -full_scale, full_scale - 1)
    return (steps.astype(np.int64) << (32 - bits)).astype(np.int32)


def _to_steps(samples: np.ndarray, bits: int) -> tuple[np.ndarray, float]:
    """Return the samples in rounded steps of a format, not clipped, and its full scale."""
    full_scale = 2.0 ** (bits - 1)
    return np.rint(samples.astype(np.float64) * full_scale), full_scale


def _clear_time_stamp(data: bytes) -> bytes:
    """Clear the time stamp of the PEAK chunk that libsndfile adds to float WAV files."""
    at = data.find(b"PEAK", 0, 256)
    return data if at < 0 else data[: at + 12] + bytes(4) + data[at + 16 :]


def _add_extension_size(data: bytes) -> bytes:
    """Add the extension size to the fmt chunk of a float WAV file; only PCM may omit it.

    References
    ----------
    Microsoft, "Multiple Channel Audio Data and WAVE Files", 2007 (cbSize); from memory.
    """
    if data[8:20] != b"WAVEfmt " + struct.pack("<I", 16) or data[20:22] != FLOAT_TAG:
        return data
    riff_size = struct.unpack_from("<I", data, 4)[0] + 2
    head = data[:4] + struct.pack("<I", riff_size) + data[8:16] + struct.pack("<I", 18)
    return head + data[20:36] + bytes(2) + data[36:]

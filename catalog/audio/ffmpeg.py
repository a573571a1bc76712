"""Decode AAC and ALAC in `.m4a` and `.caf` files, as phones record them, with PyAV.

PyAV is imported only when such a file is decoded. It gets the open file and the name of the
format, never a path, so that a file that refers to other files or addresses cannot open them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from catalog.audio.model import MAX_CHANNELS, MAX_VALUES, SR_RANGE_HZ, Audio
from catalog.errors import AudioError

FORMATS = {".m4a": "mov", ".3gp": "mov", ".caf": "caf", ".webm": "matroska", ".mka": "matroska"}
CODECS = frozenset({"alac", "aac", "opus", "mp3", "mp3float", "vorbis", "flac"})
SUBTYPES = {"mp3": "MPEG_LAYER_III", "mp3float": "MPEG_LAYER_III"}  # libsndfile's names
FULL_SCALE = {"i2": 2.0**15, "i4": 2.0**31}  # by numpy type of the decoded integers
ALAC_BITS_BYTE = 17  # position of the bit depth in ALAC's magic cookie; from memory of its source
PADDING_FRAMES = 4096  # less than two packets; encoders count their padding differently


def decode_with_ffmpeg(
    path: Path, *, start: int = 0, stop: int | None = None, most_values: int = MAX_VALUES
) -> Audio:
    """Decode a `.m4a` or `.caf` file, or the frames `start` to `stop` of it.

    Parameters
    ----------
    path : Path
    start, stop : int, frames; `stop` is exclusive and None means the end
    most_values : int, samples over all channels; decoding stops as soon as there are more

    Returns
    -------
    Audio
        at the sample rate of the file; container "M4A" or "CAF", subtype "AAC", "ALAC_16" ...

    Raises
    ------
    AudioError
        if the file has another format, is broken, ends early, or is too long
    """
    import av

    try:
        form = FORMATS[path.suffix.lower()]
        with (
            path.open("rb") as file,
            av.open(file, format=form, metadata_errors="replace") as container,
        ):
            audio = _decode(path, container, most_values=most_values)
    except (av.error.FFmpegError, OSError, ValueError) as err:
        reason = getattr(err, "strerror", None) or type(err).__name__
        message = f"cannot be decoded ({reason}); export it again or remove it"
        raise AudioError(path, message) from err
    samples = audio.samples[start:stop]
    if len(samples) == 0:
        raise AudioError(path, f"holds no samples from frame {start} on; scan its folder again")
    return replace(audio, samples=np.ascontiguousarray(samples))


def _decode(path: Path, container: Any, *, most_values: int) -> Audio:
    stream, sr, n_channels = _check_stream(path, container)
    frames = container.decode(stream)
    limits = {"sr": sr, "n_channels": n_channels, "most_values": most_values}
    blocks = list(_to_blocks(path, frames, **limits))
    n_frames = sum(map(len, blocks))
    if n_frames == 0:
        raise AudioError(path, "holds no samples; export it again or remove it from the folder")
    expected = round(float(stream.duration * stream.time_base) * sr) if stream.duration else 0
    if n_frames < expected - PADDING_FRAMES:
        raise AudioError(path, f"ends early: has {n_frames} of {expected} frames; copy it again")
    subtype = _subtype(stream.codec_context)
    return Audio(np.concatenate(blocks), sr, path.suffix[1:].upper(), subtype)


def _check_stream(path: Path, container: Any) -> tuple[Any, int, int]:
    """Return the first audio stream, its sample rate and its number of channels."""
    if not container.streams.audio:
        raise AudioError(path, "holds no sound; export it again or remove it")
    stream = container.streams.audio[0]
    codec = stream.codec_context
    if codec is None or codec.name not in CODECS:
        name = f"the codec {codec.name}" if codec is not None else "an unknown audio codec"
        raise AudioError(path, f"has {name}; export it as WAV or FLAC")
    sr, n_channels = int(codec.sample_rate or 0), int(codec.channels or 0)
    if not SR_RANGE_HZ[0] <= sr <= SR_RANGE_HZ[1] or not 1 <= n_channels <= MAX_CHANNELS:
        flaw = f"{sr} Hz, {n_channels} channels"
        raise AudioError(path, f"has a broken header: {flaw}; copy it again")
    return stream, sr, n_channels


def _to_blocks(
    path: Path, frames: Any, *, sr: int, n_channels: int, most_values: int
) -> Iterator[np.ndarray]:
    n_values = 0
    for frame in frames:
        if frame.sample_rate != sr or frame.layout.nb_channels != n_channels:
            raise AudioError(path, "changes its sample rate or channels midway; export it again")
        data = frame.to_ndarray()
        n_values += data.size
        if n_values > most_values:
            raise AudioError(path, f"is longer than {most_values} samples; cut it into hits first")
        block = data.T if frame.format.is_planar else data.reshape(-1, n_channels)
        scale = FULL_SCALE.get(block.dtype.str[1:])
        yield np.asarray(block / scale if scale else block, dtype=np.float32)


def _subtype(codec: Any) -> str:
    if codec.name != "alac":
        return SUBTYPES.get(codec.name, str(codec.name).upper())
    cookie = codec.extradata or b""
    bits = cookie[ALAC_BITS_BYTE] if len(cookie) > ALAC_BITS_BYTE else 0
    return f"ALAC_{bits if bits in (16, 20, 24, 32) else 16}"

"""Decode AAC and ALAC in `.m4a` and `.caf` files, as phones record them, with PyAV.

PyAV is imported only when such a file is decoded. It gets the open file and the name of the
format, never a path, so that a file that refers to other files or addresses cannot open them.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from catalog.audio.model import MAX_CHANNELS, MAX_VALUES, SR_RANGE_HZ, Audio, Header
from catalog.errors import AudioError

FORMATS = {".m4a": "mov", ".3gp": "mov", ".caf": "caf", ".webm": "matroska", ".mka": "matroska"}
CODECS = frozenset({"alac", "aac", "opus", "mp3", "mp3float", "vorbis", "flac"})
SUBTYPES = {"mp3": "MPEG_LAYER_III", "mp3float": "MPEG_LAYER_III"}  # libsndfile's names
FULL_SCALE = {"i2": 2.0**15, "i4": 2.0**31}  # by numpy type of the decoded integers
ALAC_BITS_BYTE = 17  # position of the bit depth in ALAC's magic cookie; from memory of its source
PADDING_FRAMES = 4096  # less than two packets; encoders count their padding differently


@dataclass(frozen=True)
class Stream:
    """The audio of an open file; `blocks` decodes it from its beginning, once.

    Attributes
    ----------
    sr, n_channels : int
    subtype : str, as libsndfile names it or in its manner
    n_expected : int, frames by the header; 0 if it does not state them
    blocks : iterator of np.ndarray, float32, shape (n, n_channels)
    """

    sr: int
    n_channels: int
    subtype: str
    n_expected: int
    blocks: Iterator[np.ndarray]


@contextlib.contextmanager
def open_stream(path: Path) -> Iterator[Stream]:
    """Open a file to decode it block by block.

    Raises
    ------
    AudioError
        also while the blocks are decoded, if the file has another format, is broken or ends early
    """
    with _audio_errors(path), open_container(path) as container:
        yield _open(path, container)


@contextlib.contextmanager
def open_container(path: Path) -> Iterator[Any]:
    """Open a file with FFmpeg, which can open no other file or address by it."""
    import av

    form = FORMATS[path.suffix.lower()]
    with (
        path.open("rb") as file,
        av.open(_Input(file), format=form, metadata_errors="replace") as container,
    ):
        yield container


class _Input:
    """An open file for FFmpeg; PyAV prints any error of `seek` instead of raising it."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.read, self.tell = file.read, file.tell

    def seek(self, offset: int, whence: int = 0) -> int:
        """Return the new position; -1, FFmpeg's sign of an error, for one that cannot be."""
        try:
            return self._file.seek(offset, whence)
        except (OSError, ValueError, OverflowError):  # a damaged file refers to any position
            return -1


@contextlib.contextmanager
def _audio_errors(path: Path) -> Iterator[None]:
    import av

    try:
        yield
    except (av.error.FFmpegError, OSError, ValueError) as err:
        reason = getattr(err, "strerror", None) or type(err).__name__
        message = f"cannot be decoded ({reason}); export it again or remove it"
        raise AudioError(path, message) from err


def decode_with_ffmpeg(
    path: Path, *, start: int = 0, stop: int | None = None, most_values: int = MAX_VALUES
) -> Audio:
    """Decode a `.m4a` or `.caf` file, or the frames `start` to `stop` of it.

    Only these frames are kept in memory; those before them are decoded too.

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
    kept: list[np.ndarray] = []
    n_done = n_values = 0
    with open_stream(path) as stream:
        for block in stream.blocks:
            last = len(block) if stop is None else max(0, stop - n_done)
            part = block[max(0, start - n_done) : last]
            n_done += len(block)
            n_values += part.size
            if n_values > most_values:
                reason = f"is longer than {most_values} samples; cut it into hits first"
                raise AudioError(path, reason)
            if len(part):
                kept.append(part)
            if stop is not None and n_done >= stop:
                break
    if not kept:
        raise AudioError(path, f"holds no samples from frame {start} on; scan its folder again")
    return Audio(np.concatenate(kept), stream.sr, path.suffix[1:].upper(), stream.subtype)


def read_true_header(path: Path) -> Header:
    """Return the header of a file with its true length: it is decoded block by block.

    Raises
    ------
    AudioError
        if the file has another format, is broken or ends early
    """
    with open_stream(path) as stream:
        n_frames = sum(map(len, stream.blocks))
    return Header(stream.sr, n_frames, stream.n_channels, stream.subtype)


def read_stated_header(path: Path) -> Header:
    """Return the header of a file without decoding it; 0 frames if it does not state them.

    Raises
    ------
    AudioError
        if the file has another format or is broken
    """
    with open_stream(path) as stream:
        return Header(stream.sr, stream.n_expected, stream.n_channels, stream.subtype)


def _open(path: Path, container: Any) -> Stream:
    stream, sr, n_channels = _check_stream(path, container)
    expected = round(float(stream.duration * stream.time_base) * sr) if stream.duration else 0
    blocks = _to_blocks(path, container.decode(stream), sr=sr, n_channels=n_channels)
    blocks = _check_length(path, blocks, expected=expected)
    return Stream(sr, n_channels, _subtype(stream.codec_context), expected, blocks)


def _check_length(
    path: Path, blocks: Iterator[np.ndarray], *, expected: int
) -> Iterator[np.ndarray]:
    n_frames = 0
    with _audio_errors(path):
        for block in blocks:
            n_frames += len(block)
            yield block
    if n_frames == 0:
        raise AudioError(path, "holds no samples; export it again or remove it from the folder")
    if n_frames < expected - PADDING_FRAMES:
        raise AudioError(path, f"ends early: has {n_frames} of {expected} frames; copy it again")


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


def _to_blocks(path: Path, frames: Any, *, sr: int, n_channels: int) -> Iterator[np.ndarray]:
    for frame in frames:
        if frame.sample_rate != sr or frame.layout.nb_channels != n_channels:
            raise AudioError(path, "changes its sample rate or channels midway; export it again")
        data = frame.to_ndarray()
        block = data.T if frame.format.is_planar else data.reshape(-1, n_channels)
        scale = FULL_SCALE.get(block.dtype.str[1:])
        yield np.ascontiguousarray(block / scale if scale else block, dtype=np.float32)


def _subtype(codec: Any) -> str:
    if codec.name != "alac":
        return SUBTYPES.get(codec.name, str(codec.name).upper())
    cookie = codec.extradata or b""
    bits = cookie[ALAC_BITS_BYTE] if len(cookie) > ALAC_BITS_BYTE else 0
    return f"ALAC_{bits if bits in (16, 20, 24, 32) else 16}"

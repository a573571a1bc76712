"""Phone memos to float arrays: AAC and ALAC in `.m4a` and `.caf`, decoded by PyAV.

PyAV is loaded only when such a file comes. It is given the open file and the name of the format,
never a path: a file that points at other files or addresses has nothing opened for it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from catalog.audio.model import MAX_CHANNELS, MAX_VALUES, SR_RANGE_HZ, Audio
from catalog.errors import AudioError

FORMATS = {".m4a": "mov", ".caf": "caf"}
CODECS = frozenset({"alac", "aac", "opus", "mp3"})
FULL_SCALE = {"i2": 2.0**15, "i4": 2.0**31}
COOKIE_BITS = 17  # where ALAC's magic cookie tells its bits: from memory of its published source
EARLY_FRAMES = 4096  # fewer than two packets: encoders differ in how they count their padding


def decode_with_ffmpeg(path: Path, *, start: int = 0, stop: int | None = None) -> Audio:
    """Decode a phone memo, or the frames `start` to `stop` of it, at its own sample rate.

    Parameters
    ----------
    path : Path
    start, stop : int, frames; `stop` is exclusive and None means the end

    Returns
    -------
    Audio
        of container "M4A" or "CAF" and subtype "AAC", "ALAC_16", "ALAC_24" ...

    Raises
    ------
    AudioError
        if it is no such file, is broken, ends early, or is too long
    """
    import av

    try:
        with (
            path.open("rb") as file,
            av.open(
                file, format=FORMATS[path.suffix.lower()], metadata_errors="replace"
            ) as container,
        ):
            return _read(path, container, start, stop)
    except (av.error.FFmpegError, OSError, ValueError) as err:
        what = getattr(err, "strerror", None) or type(err).__name__
        raise AudioError(
            path, f"cannot be decoded ({what}); export it again or take it out"
        ) from err


def _read(path: Path, container: Any, start: int, stop: int | None) -> Audio:
    if not container.streams.audio:
        raise AudioError(path, "holds no sound; export it again or take it out")
    stream = container.streams.audio[0]
    codec = stream.codec_context
    if codec is None:
        raise AudioError(path, "holds sound of an unknown kind; export it as WAV or FLAC")
    sr, n_channels = int(codec.sample_rate or 0), int(codec.channels or 0)
    if codec.name not in CODECS:
        raise AudioError(path, f"holds {codec.name}, which is not read; export it as WAV or FLAC")
    if not SR_RANGE_HZ[0] <= sr <= SR_RANGE_HZ[1] or not 1 <= n_channels <= MAX_CHANNELS:
        raise AudioError(path, f"says {sr} Hz and {n_channels} channels; its header is broken")
    blocks = list(_blocks(path, container, stream, sr, n_channels))
    n_frames = sum(map(len, blocks))
    if n_frames == 0:
        raise AudioError(path, "holds no samples; export it again or take it out of the folder")
    told = round(float(stream.duration * stream.time_base) * sr) if stream.duration else 0
    if n_frames < told - EARLY_FRAMES:
        raise AudioError(path, f"ends early: {n_frames} of {told} frames are there; copy it again")
    samples = np.concatenate(blocks)[start:stop]
    if len(samples) == 0:
        raise AudioError(path, "holds no samples there; scan its folder again")
    return Audio(np.ascontiguousarray(samples), sr, path.suffix[1:].upper(), _subtype(codec))


def _blocks(
    path: Path, container: Any, stream: Any, sr: int, n_channels: int
) -> Iterator[np.ndarray]:
    n_values = 0
    for frame in container.decode(stream):
        if frame.sample_rate != sr or frame.layout.nb_channels != n_channels:
            raise AudioError(path, "changes its rate or channels midway; export it again")
        data = frame.to_ndarray()
        n_values += data.size
        if n_values > MAX_VALUES:
            raise AudioError(path, f"is longer than {MAX_VALUES} samples; cut it into hits first")
        block = data.T if frame.format.is_planar else data.reshape(-1, n_channels)
        scale = FULL_SCALE.get(block.dtype.str[1:])
        yield np.asarray(block / scale if scale else block, dtype=np.float32)


def _subtype(codec: Any) -> str:
    if codec.name != "alac":
        return str(codec.name).upper()
    cookie = codec.extradata or b""
    bits = cookie[COOKIE_BITS] if len(cookie) > COOKIE_BITS else 0
    return f"ALAC_{bits if bits in (16, 20, 24, 32) else 16}"

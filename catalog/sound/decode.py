"""Audio files to float arrays and back: frames run down, channels across, full scale is 1.0."""

from __future__ import annotations

import io
import math
import os
import stat
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from catalog.errors import AudioError, ParameterError

AUDIO_SUFFIXES: frozenset[str] = frozenset(
    [
        ".wav",
        ".wave",
        ".bwf",
        ".rf64",
        ".w64",
        ".aif",
        ".aiff",
        ".aifc",
        ".flac",
        ".ogg",
        ".oga",
        ".opus",
        ".mp3",
        ".caf",
        ".m4a",
        ".au",
        ".snd",
    ]
)
MAX_CHANNELS = 64  # more is a broken header: recorders stop at 64
SR_RANGE_HZ = (4_000, 768_000)  # outside it is a broken header; speech recorders start at 8,000
MAX_VALUES = 250_000_000  # samples over all channels, 1 GB as float32; a longer file is no hit
BLOCK_FRAMES = 1 << 18  # read piecewise, so that a header that lies asks for no gigabytes
FLOAT_TAG = struct.pack("<H", 3)  # of WAV, for floating point
PCM_BITS = {"PCM_S8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}


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


def read_header(path: str | Path) -> Header:
    """Read what a file says of itself, without decoding it.

    Raises
    ------
    AudioError
        if it is missing, or no audio that libsndfile reads
    """
    import soundfile

    try:
        told = soundfile.info(str(path))
    except (soundfile.LibsndfileError, OSError, RuntimeError) as err:
        raise AudioError(Path(path), f"cannot be read ({_first_line(err)})") from err
    return Header(told.samplerate, told.frames, told.channels, told.subtype)


def decode_file(path: str | Path, *, start: int = 0, stop: int | None = None) -> Audio:
    """Decode a file, or the frames `start` to `stop` of it, at its own sample rate.

    Parameters
    ----------
    path : str or Path
    start, stop : int, frames; `stop` is exclusive and None means the end

    Returns
    -------
    Audio

    Raises
    ------
    AudioError
        if the file is missing, is no audio, ends early, or holds values that are not numbers
    """
    import soundfile

    path = Path(path)
    _check_file(path)
    if path.suffix.lower() == ".m4a":
        return _decode_memo(path, start, stop)
    try:
        with soundfile.SoundFile(path) as file:
            _check_header(path, file)
            samples = _read_frames(path, file, start, stop)
            audio = Audio(samples, file.samplerate, file.format, file.subtype)
    except (soundfile.LibsndfileError, OSError, RuntimeError) as err:
        if path.suffix.lower() == ".caf":
            return _decode_memo(path, start, stop)
        _check_readable(path)
        raise AudioError(
            path, f"cannot be decoded ({_first_line(err)}); export it again or take it out"
        ) from err
    return _finite(path, audio)


def _decode_memo(path: Path, start: int, stop: int | None) -> Audio:
    from catalog.sound.phone import decode_memo

    _check_readable(path)
    return _finite(path, decode_memo(path, start=start, stop=stop))


def _finite(path: Path, audio: Audio) -> Audio:
    if not is_finite(audio.samples):
        raise AudioError(
            path, "holds values that are not numbers (NaN or infinity); export it again"
        )
    return audio


def is_finite(samples: np.ndarray) -> bool:
    """Tell whether every sample is a number."""
    # one that is none makes the energy none; that may also grow too large by itself
    return math.isfinite(float(np.vdot(samples, samples))) or bool(np.isfinite(samples).all())


def _check_file(path: Path) -> None:
    try:
        told = os.stat(path)
    except OSError as err:
        raise _unreadable(path, err) from err
    if not stat.S_ISREG(told.st_mode):  # to open a pipe would wait for ever
        raise AudioError(path, "is no file that can be read, but a folder, a pipe or a device")
    if told.st_size == 0:
        raise AudioError(path, "is empty (0 bytes); copy it again from the recorder or take it out")


def _check_readable(path: Path) -> None:
    """Read a byte: the system says more clearly than a decoder why it cannot."""
    try:
        with open(path, "rb", buffering=0) as file:
            file.read(1)
    except OSError as err:
        raise _unreadable(path, err) from err


def _unreadable(path: Path, err: OSError) -> AudioError:
    return AudioError(path, f"cannot be read ({err.strerror}); check that you may open it")


def _check_header(path: Path, file: Any) -> None:
    low, high = SR_RANGE_HZ
    if not low <= file.samplerate <= high:
        raise AudioError(
            path, f"says {file.samplerate} Hz, outside {low} to {high}; its header is broken"
        )
    if file.channels > MAX_CHANNELS:
        raise AudioError(
            path, f"says {file.channels} channels, above {MAX_CHANNELS}; its header is broken"
        )
    if file.format in ("WAV", "WAVEX", "RF64", "AIFF") and "should be" in _data_line(
        file.extra_info
    ):
        raise AudioError(path, "ends early: its header promises more audio; copy it again")


def _data_line(log: str) -> str:
    """Give the line of libsndfile's log that compares the audio chunk with the file's size."""
    for line in log.splitlines():
        if line.strip().startswith(("data", "SSND")):
            return line
    return ""


def _read_frames(path: Path, file: Any, start: int, stop: int | None) -> np.ndarray:
    if start:
        file.seek(min(start, file.frames))
    wanted = (stop if stop is not None else max(file.frames, 0)) - start
    blocks = list(_read_blocks(path, file, stop - start if stop is not None else None))
    n_frames = sum(map(len, blocks))
    if file.format == "FLAC" and n_frames < wanted:
        raise AudioError(
            path, f"ends early: {n_frames} of {wanted} frames are there; copy it again"
        )
    if n_frames == 0:
        raise AudioError(path, "holds no samples; export it again or take it out of the folder")
    return blocks[0] if len(blocks) == 1 else np.concatenate(blocks)


def _read_blocks(path: Path, file: Any, n_frames: int | None) -> Iterator[np.ndarray]:
    n_values = 0
    left = n_frames
    while left is None or left > 0:
        block = file.read(
            BLOCK_FRAMES if left is None else min(BLOCK_FRAMES, left), "float32", True
        )
        if len(block) == 0:
            return
        n_values += block.size
        if n_values > MAX_VALUES:
            raise AudioError(path, f"is longer than {MAX_VALUES} samples; cut it into hits first")
        left = None if left is None else left - len(block)
        yield block


def _first_line(err: BaseException) -> str:
    text = str(err).rsplit(": ", 1)[-1].strip().rstrip(".")
    return text.splitlines()[0] if text else type(err).__name__


def encode_audio(
    samples: np.ndarray,
    *,
    sr: int,
    container: str = "WAV",
    subtype: str = "PCM_24",
    compression: float | None = None,
) -> bytes:
    """Encode audio so that integers decoded before come back as the same integers.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames,) or (n_frames, n_channels), full scale 1.0
        clipped at full scale when `subtype` is an integer format
    sr : int, Hz, above 0
    container, subtype : str, as libsndfile names them
    compression : float, optional
        0 (large) to 1 (small), for FLAC and the lossy formats; libsndfile's own choice by default

    Returns
    -------
    bytes
        the whole file; float files carry no time stamp, so equal sound gives equal bytes

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
        raise ParameterError(
            f"{container} with {subtype} at {sr} Hz cannot be written: {err}"
        ) from err
    return _with_extension_size(_without_time_stamp(out.getvalue()))


def encode_playable(audio: Audio) -> bytes:
    """Give a 16-bit WAV file for playing: two channels at most, scaled down to full scale.

    Parameters
    ----------
    audio : Audio

    Returns
    -------
    bytes
    """
    peak = float(np.abs(audio.samples).max(initial=0.0))
    samples = audio.samples / peak if peak > 1.0 else audio.samples
    return encode_wav(samples[:, :2], sr=audio.sr, subtype="PCM_16")


def encode_wav(samples: np.ndarray, *, sr: int, subtype: str = "PCM_24") -> bytes:
    """Encode a WAV file; see `encode_audio`."""
    return encode_audio(samples, sr=sr, container="WAV", subtype=subtype)


def _to_pcm(samples: np.ndarray, bits: int) -> np.ndarray:
    """Round to `bits` and shift to the top of int32, which is where libsndfile takes them from."""
    top = 2.0 ** (bits - 1)
    steps = np.clip(np.rint(samples.astype(np.float64) * top), -top, top - 1)
    return (steps.astype(np.int64) << (32 - bits)).astype(np.int32)


def _without_time_stamp(data: bytes) -> bytes:
    """Zero the time stamp of the PEAK chunk that libsndfile adds to float WAV files."""
    at = data.find(b"PEAK", 0, 256)
    if at < 0:
        return data
    return data[: at + 12] + bytes(4) + data[at + 16 :]


def _with_extension_size(data: bytes) -> bytes:
    """Give the fmt chunk of a float WAV file the two bytes that formats other than PCM need.

    Microsoft, "Multiple Channel Audio Data and WAVE Files", 2007: cbSize; from memory.
    """
    if data[8:20] != b"WAVEfmt " + struct.pack("<I", 16) or data[20:22] != FLOAT_TAG:
        return data
    riff_size = struct.unpack_from("<I", data, 4)[0] + 2
    head = data[:4] + struct.pack("<I", riff_size) + data[8:16] + struct.pack("<I", 18)
    return head + data[20:36] + bytes(2) + data[36:]


def resample(samples: np.ndarray, *, sr: int, to_sr: int, quality: str = "VHQ") -> np.ndarray:
    """Change the sample rate by soxr.

    Parameters
    ----------
    samples : np.ndarray, float32, shape (n,) or (n, n_channels)
    sr, to_sr : int, Hz, above 0
    quality : str, as soxr names it; "VHQ" for what is heard, "HQ" (20 bits) for what is measured

    Returns
    -------
    np.ndarray, float32, same number of dimensions

    Raises
    ------
    ParameterError
        if a rate is not above 0
    """
    if sr <= 0 or to_sr <= 0:
        raise ParameterError(f"sr={sr} and to_sr={to_sr} must be above 0 Hz")
    if sr == to_sr:
        return samples
    import soxr

    return np.asarray(soxr.resample(samples, sr, to_sr, quality=quality), dtype=np.float32)


def retune(samples: np.ndarray, *, sr: int, to_sr: int, semitones: float) -> np.ndarray:
    """Play a stroke faster or slower, as a tape would, and bring it to another rate in one step.

    A stroke that is tuned up gets shorter by the same ratio.

    Parameters
    ----------
    samples : np.ndarray, float32, shape (n,) or (n, n_channels)
    sr, to_sr : int, Hz, above 0
    semitones : float, above 0 for higher

    Returns
    -------
    np.ndarray, float32, same number of dimensions; the very samples if nothing is asked

    Raises
    ------
    ParameterError
        if a rate is not above 0 or the semitones are not within an octave
    """
    if semitones == 0.0:
        return resample(samples, sr=sr, to_sr=to_sr)
    if sr <= 0 or to_sr <= 0 or not abs(semitones) <= 12.0:
        raise ParameterError(
            f"sr={sr} and to_sr={to_sr} must be above 0 Hz, semitones={semitones} within -12 to 12"
        )
    import soxr

    played = sr * 2.0 ** (semitones / 12.0)
    return np.asarray(soxr.resample(samples, played, to_sr, quality="VHQ"), dtype=np.float32)

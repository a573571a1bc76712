"""Decode audio files to float arrays: one row per frame, one column per channel, full scale 1.0."""

from __future__ import annotations

import math
import os
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from catalog.audio.ffmpeg import decode_with_ffmpeg
from catalog.audio.model import MAX_CHANNELS, MAX_SAMPLE, MAX_VALUES, SR_RANGE_HZ, Audio, Header
from catalog.errors import AudioError

AUDIO_SUFFIXES: frozenset[str] = frozenset({
    ".wav", ".wave", ".bwf", ".rf64", ".w64", ".aif", ".aiff", ".aifc", ".flac", ".ogg", ".oga",
    ".opus", ".mp3", ".caf", ".m4a", ".au", ".snd", ".voc", ".sd2", ".ircam", ".sf", ".pvf", ".paf",
    ".svx", ".8svx", ".iff", ".nist", ".sph", ".mat", ".htk", ".avr", ".wve", ".mpc", ".3gp",
    ".webm", ".mka",
})  # fmt: skip
FFMPEG_SUFFIXES = frozenset({".m4a", ".3gp", ".webm", ".mka"})  # libsndfile reads none of them
BLOCK_FRAMES = 1 << 18  # per read; a false length in a header then allocates no gigabytes
PART_VALUES = 1 << 25  # samples over all channels; a smaller part is read at once
Part = tuple[int, int | None]  # first frame, and the frame after the last; None: the end
SIZED_FORMATS = frozenset({"WAV", "WAVEX", "RF64", "AIFF"})  # libsndfile logs a wrong audio size


def read_header(path: str | Path) -> Header:
    """Read the header of a file without decoding it.

    Raises
    ------
    AudioError
        if the file is missing, or is no audio that libsndfile reads
    """
    import soundfile

    _check_file(Path(path))
    try:
        info = soundfile.info(str(path))
    except (soundfile.LibsndfileError, OSError, RuntimeError) as err:
        message = f"cannot be read ({_first_line(err)}); export it again"
        raise AudioError(Path(path), message) from err
    return Header(info.samplerate, info.frames, info.channels, info.subtype)


def is_streamed(path: Path) -> bool:
    """Return whether a file can only be decoded from its beginning, and its header states no exact
    length.
    """
    if path.suffix.lower() != ".caf":
        return path.suffix.lower() in FFMPEG_SUFFIXES
    try:
        read_header(path)
    except AudioError:
        return True
    return False


def decode_file(
    path: str | Path,
    *,
    start: int = 0,
    stop: int | None = None,
    most_values: int = MAX_VALUES,
) -> Audio:
    """Decode a file, or the frames `start` to `stop` of it, at its own sample rate.

    Parameters
    ----------
    path : str or Path
    start, stop : int, frames; `stop` is exclusive and None means the end
    most_values : int, samples over all channels; decoding stops as soon as there are more

    Raises
    ------
    AudioError
        if the file is missing, is no audio, is too long, ends early, or holds NaN or values beyond
        `MAX_SAMPLE`
    """
    import soundfile

    path, part = Path(path), (start, stop)
    _check_file(path)
    if path.suffix.lower() in FFMPEG_SUFFIXES:
        return _decode_other(path, part, most_values)
    try:
        with soundfile.SoundFile(path) as file:
            _check_header(path, file)
            samples = _read_frames(path, file, part, most_values)
            audio = Audio(samples, file.samplerate, file.format, file.subtype)
    except (soundfile.LibsndfileError, OSError, RuntimeError) as err:
        if path.suffix.lower() == ".caf":
            return _decode_other(path, part, most_values)
        raise _undecodable(path, err) from err
    return check_samples(path, audio)


def decode_unless(path: Path, is_long: Callable[[Header], bool]) -> Audio | Header:
    """Decode a file that libsndfile reads, or return its header if `is_long` is true of it.

    The file is opened once; a header by itself takes a tenth of the time of decoding a hit. Raises
    like `decode_file`.
    """
    import soundfile

    _check_file(path)
    try:
        with soundfile.SoundFile(path) as file:
            _check_header(path, file)
            header = Header(file.samplerate, file.frames, file.channels, file.subtype)
            if is_long(header):
                return header
            samples = _read_frames(path, file, (0, None), MAX_VALUES)
            audio = Audio(samples, file.samplerate, file.format, file.subtype)
    except (soundfile.LibsndfileError, OSError, RuntimeError) as err:
        raise _undecodable(path, err) from err
    return check_samples(path, audio)


def _undecodable(path: Path, err: Exception) -> AudioError:
    _check_readable(path)
    message = f"cannot be decoded ({_first_line(err)}); export it again or remove it"
    return AudioError(path, message)


def _decode_other(path: Path, part: Part, most_values: int) -> Audio:
    """Decode a format that libsndfile does not read."""
    _check_readable(path)
    start, stop = part
    audio = decode_with_ffmpeg(path, start=start, stop=stop, most_values=most_values)
    return check_samples(path, audio)


def check_samples(path: Path, audio: Audio) -> Audio:
    """Return decoded audio; raise `AudioError` if it holds NaN or values beyond `MAX_SAMPLE`."""
    # A small energy proves in one fast pass that all samples are in range.
    if float(np.vdot(audio.samples, audio.samples)) <= MAX_SAMPLE**2:
        return audio
    if not is_finite(audio.samples):
        reason = "holds values that are not numbers (NaN or infinity); export it again"
        raise AudioError(path, reason)
    peak = float(np.abs(audio.samples).max())
    if peak > MAX_SAMPLE:
        level_db = 20.0 * math.log10(peak)
        raise AudioError(path, f"reaches {level_db:.0f} dBFS, which is not audio; export it again")
    return audio


def is_finite(samples: np.ndarray) -> bool:
    """Return whether no sample is NaN or infinite."""
    # A finite energy proves it in one fast pass. An infinite one may be an overflow: look closer.
    return math.isfinite(float(np.vdot(samples, samples))) or bool(np.isfinite(samples).all())


def _check_file(path: Path) -> None:
    try:
        status = os.stat(path)
    except OSError as err:
        raise _unreadable(path, err) from err
    if not stat.S_ISREG(status.st_mode):  # opening a pipe would block forever
        raise AudioError(path, "is a folder, a pipe or a device; give the path of an audio file")
    if status.st_size == 0:
        raise AudioError(path, "is empty (0 bytes); copy it again from the recorder or remove it")


def _check_readable(path: Path) -> None:
    """Read one byte: the operating system names the cause more clearly than a decoder."""
    try:
        with open(path, "rb", buffering=0) as file:
            file.read(1)
    except OSError as err:
        raise _unreadable(path, err) from err


def _unreadable(path: Path, err: OSError) -> AudioError:
    return AudioError(path, f"cannot be read ({err.strerror}); check that you may open it")


def _check_header(path: Path, file: Any) -> None:
    low, high = SR_RANGE_HZ
    flaw = ""
    if not low <= file.samplerate <= high:
        flaw = f"{file.samplerate} Hz is outside {low} to {high}"
    elif file.channels > MAX_CHANNELS:
        flaw = f"{file.channels} channels, above {MAX_CHANNELS}"
    if flaw:
        raise AudioError(path, f"has a broken header: {flaw}; copy it again")
    if file.format in SIZED_FORMATS and "should be" in _size_line(file.extra_info):
        raise AudioError(path, "ends early: its header declares more audio; copy it again")


def _size_line(log: str) -> str:
    """Return the line of libsndfile's log that compares the audio chunk with the file's size."""
    lines = (line.strip() for line in log.splitlines())
    return next((line for line in lines if line.startswith(("data", "SSND"))), "")


def _read_frames(path: Path, file: Any, part: Part, most_values: int) -> np.ndarray:
    start, stop = part
    if start:
        file.seek(min(start, file.frames))
    expected = (stop if stop is not None else max(file.frames, 0)) - start
    n_wanted = stop - start if stop is not None else None
    if n_wanted is not None and n_wanted * file.channels <= PART_VALUES:
        blocks = [file.read(n_wanted, "float32", True)]
    else:
        blocks = list(_read_blocks(path, file, n_wanted, most_values=most_values))
    n_frames = sum(map(len, blocks))
    if file.format == "FLAC" and n_frames < expected:
        raise AudioError(path, f"ends early: has {n_frames} of {expected} frames; copy it again")
    if n_frames == 0:
        raise AudioError(path, "holds no samples; export it again or remove it from the folder")
    return blocks[0] if len(blocks) == 1 else np.concatenate(blocks)


def _read_blocks(
    path: Path, file: Any, n_frames: int | None, *, most_values: int
) -> Iterator[np.ndarray]:
    n_values = 0
    left = n_frames
    while left is None or left > 0:
        n = BLOCK_FRAMES if left is None else min(BLOCK_FRAMES, left)
        block = file.read(n, "float32", True)
        if len(block) == 0:
            return
        n_values += block.size
        if n_values > most_values:
            raise AudioError(path, f"is longer than {most_values} samples; cut it into hits first")
        left = None if left is None else left - len(block)
        yield block


def _first_line(err: BaseException) -> str:
    text = str(err).rsplit(": ", 1)[-1].strip().rstrip(".")
    return text.splitlines()[0] if text else type(err).__name__

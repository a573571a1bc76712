"""The audio of a hand-over: faded where it was cut, dithered to its width, and read back."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_audio
from catalog.audio.model import Audio
from catalog.errors import CatalogError, KitError
from catalog.features.onset import mix_to_mono
from catalog.kit.export.options import ExportOptions
from catalog.models import Hit

FADE_S = 0.005  # at an end that was cut while it still sounded
FADE_DB = -60.0  # below the peak: a softer end clicks no more
READ_BACK = 1.5  # steps of the format that rounding and dither may move a sample by, and one more


def stroke_reader(read: Callable[[Hit], Audio]) -> Callable[[Hit], Audio]:
    """Wrap `read`: one or two channels, faded where it was cut, errors in words of the kit.

    Parameters
    ----------
    read : callable, gives the decoded stroke of a hit

    Returns
    -------
    callable
        raises KitError where a hit cannot be read or holds no sound
    """

    def sounding(hit: Hit) -> Audio:
        try:
            audio = read(hit)
        except CatalogError as err:
            raise KitError(f"hit {hit.name} cannot be read: {err}") from err
        samples = audio.samples
        if samples.size == 0 or not np.isfinite(samples).all():
            raise KitError(f"hit {hit.name} holds no samples or values that are not numbers")
        if samples.shape[1] > 2:
            samples = mix_to_mono(samples)[:, None]
        return Audio(fade_end(samples, sr=audio.sr), audio.sr, audio.container, audio.subtype)

    return sounding


def fade_end(samples: np.ndarray, *, sr: int) -> np.ndarray:
    """Fade the last 5 ms of a stroke that was cut while it still sounded; others stay untouched.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)
    sr : int, Hz

    Returns
    -------
    np.ndarray, float32, same shape
    """
    n = round(FADE_S * sr)
    peak = float(np.abs(samples).max())
    if len(samples) < 4 * n or np.abs(samples[-n:]).max() <= peak * 10.0 ** (FADE_DB / 20.0):
        return samples
    faded = np.array(samples, dtype=np.float32)
    faded[-n:] *= (0.5 + 0.5 * np.cos(np.pi * np.arange(1, n + 1) / n)).astype(np.float32)[:, None]
    return faded


def encode_stroke(audio: Audio, *, gain_db: float, options: ExportOptions) -> bytes:
    """One file of a hand-over.

    Parameters
    ----------
    audio : Audio
    gain_db : float, dB
    options : ExportOptions

    Returns
    -------
    bytes
        16 bits with triangular dither two steps wide: the error is no longer distortion
    """
    wanted = _with_gain(audio, gain_db)
    if options.subtype == "PCM_16":
        rng = np.random.default_rng(len(wanted))
        wanted = wanted + (rng.random(wanted.shape) - rng.random(wanted.shape)) * options.step
    return encode_audio(wanted, sr=audio.sr, container=options.container, subtype=options.subtype)


def read_back(
    path: Path, audio: Audio, *, gain_db: float, options: ExportOptions
) -> dict[str, float | int | str]:
    """Read a written file again and compare it with what it should hold.

    Parameters
    ----------
    path : Path
    audio : Audio, what was encoded
    gain_db : float, dB
    options : ExportOptions

    Returns
    -------
    dict
        sha256, sr, n_channels, n_frames, peak_dbfs

    Raises
    ------
    KitError
        if rate, frames, channels or samples are others
    """
    wanted, back = _with_gain(audio, gain_db), decode_file(path)
    limited = wanted if options.subtype == "FLOAT" else np.clip(wanted, -1.0, 1.0)
    slack = READ_BACK * options.step * (2 if options.subtype == "PCM_16" else 1)
    if back.sr != audio.sr or back.samples.shape != wanted.shape:
        raise KitError(f"{path.name} did not read back: other rate, frames or channels")
    if float(np.abs(back.samples - limited).max()) > slack * max(1.0, float(np.abs(limited).max())):
        raise KitError(f"{path.name} did not read back: other samples")
    peak = float(np.abs(back.samples).max())
    return {
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "sr": back.sr,
        "n_channels": back.samples.shape[1],
        "n_frames": len(back.samples),
        "peak_dbfs": 20.0 * float(np.log10(peak)) if peak > 0 else -np.inf,
    }


def _with_gain(audio: Audio, gain_db: float) -> np.ndarray:
    return np.asarray(audio.samples, dtype=np.float64) * 10.0 ** (gain_db / 20.0)

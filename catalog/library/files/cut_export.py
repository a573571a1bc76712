"""Export of the strokes of a take as files: written beside, verified, then renamed into place."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog.audio.bext import add_hit_bext
from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_wav
from catalog.audio.model import Audio
from catalog.errors import ParameterError, StoreError
from catalog.library.files.atomic import rename_into_place, staging_folder, write_synced
from catalog.library.scan.stereo_pairs import decode_hit
from catalog.library.scan.walk import hash_file
from catalog.models import Hit

FADE_IN_S = 0.0005  # s; half of what is kept before the onset
FADE_OUT_S = 0.005  # s; common practice, no source
PCM_16_STEP = 2.0**-15  # full scale 1.0; no integer format that is written here is coarser
WAV_SUBTYPES = ("PCM_16", "PCM_24", "PCM_32", "FLOAT")


@dataclass(frozen=True)
class CutFile:
    """One file to write: its path, the hit that it holds, and its length in seconds."""

    target: Path
    hit: Hit
    length_s: float


def plan_cut_export(hits: Sequence[Hit], folder: Path) -> list[CutFile]:
    """Return the files to write for strokes of one file; their names sort in the order of time.

    Raise `ParameterError` if there is nothing to write or the folder exists.
    """
    if not hits:
        raise ParameterError("there is no stroke to write out")
    if os.path.lexists(folder):
        raise ParameterError(f"{folder}: exists already; give a new folder, nothing is overwritten")
    width = max(2, len(str(len(hits))))
    return [
        CutFile(folder / f"{hit.stem}_{n:0{width}d}.wav", hit, (hit.stop - hit.start) / hit.sr)
        for n, hit in enumerate(sorted(hits, key=lambda h: h.start), start=1)
    ]


def write_cut_export(plan: Sequence[CutFile]) -> list[Path]:
    """Write the planned files into their new folder; after a failure the folder does not exist.

    Raise `StoreError` if the recording has changed since it was scanned, or cannot be written.
    """
    folder = plan[0].target.parent
    source = plan[0].hit
    if hash_file(source.path, source.mate) != source.content_hash:
        raise StoreError(f"{source.path}: has changed since it was scanned; scan it again first")
    try:
        with staging_folder(folder) as staging:
            finished = staging / folder.name
            finished.mkdir()
            for part in plan:
                _write_one(finished / part.target.name, part.hit)
            try:
                rename_into_place(finished, folder)
            except FileExistsError as err:
                raise StoreError(f"{folder}: appeared meanwhile; nothing was overwritten") from err
    except OSError as err:
        raise StoreError(f"{folder}: cannot be written ({err.strerror or err})") from err
    return [part.target for part in plan]


def _write_one(path: Path, hit: Hit) -> None:
    audio = decode_hit(hit)
    subtype = audio.subtype if audio.subtype in WAV_SUBTYPES else "PCM_24"
    faded = fade_ends(audio)
    data = encode_wav(faded, sr=audio.sr, subtype=subtype)
    data = add_hit_bext(
        data, hit, sr=audio.sr, subtype=subtype, n_channels=faded.shape[1], text="cut from a take"
    )
    write_synced(path, data)
    written = decode_file(path)
    tolerance = 0.0 if subtype == "FLOAT" else PCM_16_STEP
    expected = faded if subtype == "FLOAT" else np.clip(faded, -1.0, 1.0)
    if written.samples.shape != faded.shape or np.abs(written.samples - expected).max() > tolerance:
        raise StoreError(f"{path.name} differs when read back; the disk may be failing")


def fade_ends(audio: Audio) -> np.ndarray:
    """Return the samples faded by half-cosines over `FADE_IN_S` and `FADE_OUT_S`.

    Each fade is at most a quarter of the hit. The result is float32, shape (n, n_channels).
    """
    out = np.array(audio.samples, dtype=np.float32)
    fade_in = _half_cosine(min(round(FADE_IN_S * audio.sr), len(out) // 4))
    fade_out = _half_cosine(min(round(FADE_OUT_S * audio.sr), len(out) // 4))
    out[: len(fade_in)] *= fade_in
    out[len(out) - len(fade_out) :] *= fade_out[::-1]
    return out


def _half_cosine(n: int) -> np.ndarray:
    """Return a rising ramp; float32, shape (n, 1), 0 to almost 1."""
    return (0.5 - 0.5 * np.cos(np.pi * np.arange(n) / max(1, n))).astype(np.float32)[:, None]

"""Strokes of a take written out as files of their own: built beside, read back, then renamed."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog.audio.bext import broadcast_wave
from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_wav
from catalog.audio.model import Audio
from catalog.errors import ParameterError, StoreError
from catalog.library.scan.stereo_pairs import decode_hit
from catalog.library.scan.walk import hash_file
from catalog.models import Hit

FADE_IN_S = 0.0005  # half of what is kept before the onset
FADE_OUT_S = 0.005
WAV_SUBTYPES = ("PCM_16", "PCM_24", "PCM_32", "FLOAT")


@dataclass(frozen=True)
class CutFile:
    """One file that is, or would be, written: where to, from which hit, and how long it is."""

    target: Path
    hit: Hit
    length_s: float


def plan_cut(hits: Sequence[Hit], folder: Path) -> list[CutFile]:
    """Say what would be written; names sort in the order of time.

    Raises
    ------
    ParameterError
        if there is nothing to write or the folder exists
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


def write_cut(plan: Sequence[CutFile]) -> list[Path]:
    """Write what was planned into its new folder; on a failure nothing is left there.

    Raises
    ------
    StoreError
        if the recording has changed since it was scanned, or cannot be written
    """
    folder = plan[0].target.parent
    source = plan[0].hit
    if hash_file(source.path, source.mate) != source.content_hash:
        raise StoreError(f"{source.path}: has changed since it was scanned; scan it again first")
    folder.parent.mkdir(parents=True, exist_ok=True)
    building = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        for part in plan:
            _write_one(building / part.target.name, part.hit)
        os.chmod(building, 0o755)
        if os.path.lexists(folder):
            raise StoreError(f"{folder}: appeared meanwhile; nothing was overwritten")
        os.rename(building, folder)
    except OSError as err:
        raise StoreError(f"{folder}: cannot be written ({err.strerror or err})") from err
    finally:
        shutil.rmtree(building, ignore_errors=True)
    return [part.target for part in plan]


def _write_one(path: Path, hit: Hit) -> None:
    audio = decode_hit(hit)
    subtype = audio.subtype if audio.subtype in WAV_SUBTYPES else "PCM_24"
    faded = fade_ends(audio)
    data = encode_wav(faded, sr=audio.sr, subtype=subtype)
    data = broadcast_wave(
        data, hit, sr=audio.sr, subtype=subtype, n_channels=faded.shape[1], text="cut from a take"
    )
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    back = decode_file(path)
    limit = 0.0 if subtype == "FLOAT" else 2.0**-15
    wanted = faded if subtype == "FLOAT" else np.clip(faded, -1.0, 1.0)
    if back.samples.shape != faded.shape or np.abs(back.samples - wanted).max() > limit:
        raise StoreError(f"{path.name} did not read back; the disk may be failing")


def fade_ends(audio: Audio) -> np.ndarray:
    """Fade the first half millisecond in and the last 5 ms out, by half cosines.

    Parameters
    ----------
    audio : Audio

    Returns
    -------
    np.ndarray, float32, same shape as its samples
    """
    out = np.array(audio.samples, dtype=np.float32)
    for length_s, first in ((FADE_IN_S, True), (FADE_OUT_S, False)):
        n = min(round(length_s * audio.sr), len(out) // 4)
        ramp = (0.5 - 0.5 * np.cos(np.pi * np.arange(n) / max(1, n))).astype(np.float32)[:, None]
        if first:
            out[:n] *= ramp
        elif n:
            out[-n:] *= ramp[::-1]
    return out

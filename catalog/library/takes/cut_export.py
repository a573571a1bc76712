"""Export of the strokes of a take as files: written beside, verified, then renamed into place."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog.audio.encode import count_clipped, encode_wav, is_written_exactly
from catalog.audio.metadata.bext import add_hit_bext
from catalog.audio.model import FLOAT_SUBTYPES, Audio
from catalog.errors import ParameterError, StoreError
from catalog.library.files.atomic import rename_into_place, staging_folder, write_synced
from catalog.library.scan.stereo_pairs import decode_hit
from catalog.library.scan.walk import SCAN_AGAIN, hash_file
from catalog.models import Hit

FADE_IN_S = 0.0005  # s; half of what is kept before the onset
FADE_OUT_S = 0.005  # s; common practice, no source
KEPT_SUBTYPES = ("PCM_16", "PCM_24", "PCM_32")  # written as they are
OTHER_SUBTYPE = "PCM_24"  # for formats that WAV files do not hold, while nothing is clipped


@dataclass(frozen=True)
class CutFile:
    """One file to write: its path, the hit that it holds, and its length in seconds.

    `subtype` is its sample format; `n_over` counts the samples beyond full scale, which are kept
    in a floating-point format.
    """

    target: Path
    hit: Hit
    length_s: float
    subtype: str
    n_over: int = 0


def plan_cut_export(hits: Sequence[Hit], folder: Path) -> list[CutFile]:
    """Return the files to write for strokes of one file; their names sort in the order of time.

    All have one format: that of the recording, or 32-bit float if it is a floating-point or lossy
    format with samples beyond full scale, which an integer format would clip.

    Raise `ParameterError` if there is nothing to write or the folder exists, and `StoreError` if
    the recording has changed since it was scanned.
    """
    if not hits:
        raise ParameterError("there is no stroke to write out")
    if os.path.lexists(folder):
        raise ParameterError(f"{folder}: exists already; give a new folder, nothing is overwritten")
    hits = sorted(hits, key=lambda hit: hit.start)
    subtype, over = _choose_subtype(hits)
    width = max(2, len(str(len(hits))))
    return [
        CutFile(
            folder / f"{hit.stem}_{n:0{width}d}.wav",
            hit,
            length_s=(hit.stop - hit.start) / hit.sr,
            subtype=subtype,
            n_over=n_over,
        )
        for n, (hit, n_over) in enumerate(zip(hits, over, strict=True), start=1)
    ]


def _choose_subtype(hits: Sequence[Hit]) -> tuple[str, list[int]]:
    """Return the sample format of all files, and for each the samples beyond full scale."""
    subtype = hits[0].subtype
    if subtype in KEPT_SUBTYPES:
        return subtype, [0] * len(hits)
    _check_unchanged(hits[0])
    over = [count_clipped(fade_ends(decode_hit(hit)), subtype=OTHER_SUBTYPE) for hit in hits]
    return "FLOAT" if subtype in FLOAT_SUBTYPES or any(over) else OTHER_SUBTYPE, over


def write_cut_export(plan: Sequence[CutFile]) -> list[Path]:
    """Write the planned files into their new folder; after a failure the folder does not exist.

    Raise `StoreError` if the recording has changed since it was scanned, or cannot be written.
    """
    folder = plan[0].target.parent
    _check_unchanged(plan[0].hit)
    try:
        with staging_folder(folder) as staging:
            finished = staging / folder.name
            finished.mkdir()
            for part in plan:
                _write_one(finished / part.target.name, part)
            try:
                rename_into_place(finished, folder)
            except FileExistsError as err:
                raise StoreError(f"{folder}: appeared meanwhile; nothing was overwritten") from err
    except OSError as err:
        raise StoreError(f"{folder}: cannot be written ({err.strerror or err})") from err
    return [part.target for part in plan]


def _check_unchanged(hit: Hit) -> None:
    if hash_file(hit.path, hit.mate) != hit.content_hash:
        raise StoreError(f"{hit.path}: has changed since it was scanned; {SCAN_AGAIN}")


def _write_one(path: Path, part: CutFile) -> None:
    hit, subtype = part.hit, part.subtype
    audio = decode_hit(hit)
    faded = fade_ends(audio)
    if n_clipped := count_clipped(faded, subtype=subtype):
        raise StoreError(
            f"{hit.path}: {n_clipped} samples exceed full scale and would be clipped; nothing was "
            "written. Export the recording again as 32-bit float or at a lower level"
        )
    data = encode_wav(faded, sr=audio.sr, subtype=subtype)
    data = add_hit_bext(
        data, hit, sr=audio.sr, subtype=subtype, n_channels=faded.shape[1], text="cut from a take"
    )
    write_synced(path, data)
    if not is_written_exactly(path, faded, sr=audio.sr, subtype=subtype):
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

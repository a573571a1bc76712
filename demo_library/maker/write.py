"""Write WAV, Broadcast Wave, FLAC (by libsndfile) and the truth table.

Nothing depends on the clock, so the same samples always give the same bytes.
"""

from __future__ import annotations

import csv
import io
import struct
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
import soundfile

WIDTH = {"PCM_16": 2, "PCM_24": 3, "FLOAT": 4}  # bytes per sample


@dataclass(frozen=True)
class Bext:
    """The metadata of a Broadcast Wave file; ASCII, truncated to the sizes of the standard.

    `time_reference` counts frames since midnight.
    """

    description: str
    originator: str
    reference: str
    date: str
    time: str
    time_reference: int
    history: str = ""


@dataclass(frozen=True)
class Truth:
    """One row of `truth.csv`; `path` and `copy_of` are relative to the library, with slashes."""

    path: str
    session: str
    drum: str
    role: str
    strength: str
    stroke: str
    microphone: str
    copy_of: str = ""
    fault: str = ""


def bext_chunk(bext: Bext) -> bytes:
    """Return the 602 fixed bytes and the coding history, without name and size of the chunk.

    References
    ----------
    EBU Tech 3285, "Specification of the Broadcast Wave Format", version 2: description 256 bytes,
    originator 32, reference 32, date 10, time 8, time reference 8, version 2, UMID 64, five
    loudness values of 2, reserved 180. Written as version 1: no loudness was measured.
    """
    texts = (
        (bext.description, 256), (bext.originator, 32), (bext.reference, 32),
        (bext.date, 10), (bext.time, 8),
    )  # fmt: skip
    fixed = b"".join(text.encode("ascii")[:size].ljust(size, b"\0") for text, size in texts)
    fixed += struct.pack("<QH", bext.time_reference, 1) + bytes(64 + 10 + 180)
    return fixed + bext.history.encode("ascii")


def wave_bytes(samples: np.ndarray, *, sr: int, subtype: str, bext: Bext | None = None) -> bytes:
    """Return a WAV file, with a bext chunk if one is given.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), full scale 1.0; clipped unless "FLOAT"
    sr : int, Hz, above 0
    subtype : {"PCM_16", "PCM_24", "FLOAT"}
    bext : Bext, optional

    References
    ----------
    Microsoft and IBM, "Multimedia Programming Interface and Data Specifications 1.0", 1991.
    """
    n_channels, width = samples.shape[1], WIDTH[subtype]
    kind = 3 if subtype == "FLOAT" else 1
    step = n_channels * width
    form = struct.pack("<HHIIHH", kind, n_channels, sr, sr * step, step, 8 * width)
    chunks = [(b"bext", bext_chunk(bext))] if bext else []
    if kind == 3:
        chunks += [(b"fmt ", form + b"\0\0"), (b"fact", struct.pack("<I", len(samples)))]
    else:
        chunks += [(b"fmt ", form)]
    chunks += [(b"data", _pack(samples, subtype))]
    body = b"WAVE" + b"".join(
        name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)
        for name, data in chunks
    )
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _pack(samples: np.ndarray, subtype: str) -> bytes:
    if subtype == "FLOAT":
        return samples.astype("<f4").tobytes()
    bits = 8 * WIDTH[subtype]
    full = float(2 ** (bits - 1))
    whole = np.clip(np.round(samples * full), -full, full - 1.0).astype("<i4")
    return whole.view(np.uint8).reshape(*whole.shape, 4)[..., : WIDTH[subtype]].tobytes()


def flac_bytes(samples: np.ndarray, *, sr: int, subtype: str) -> bytes:
    """Return a FLAC file of 16 or 24 bits; samples beyond full scale 1.0 are clipped."""
    out = io.BytesIO()
    top = 1.0 - 2.0 ** -(8 * WIDTH[subtype] - 1)
    soundfile.write(out, np.clip(samples, -1.0, top), sr, subtype=subtype, format="FLAC")
    return out.getvalue()


def write_truth(rows: Sequence[Truth], path: Path) -> None:
    """Write the truth table, sorted by path."""
    names = [field.name for field in fields(Truth)]
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(names)
        for row in sorted(rows, key=lambda row: row.path):
            table.writerow([getattr(row, name) for name in names])

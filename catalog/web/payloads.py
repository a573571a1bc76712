"""Binary payloads for the browser: points, previews, waveform outlines; little-endian."""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.features.waveform import abs_peak, waveform_outline
from catalog.models import ROLES, Hit
from catalog.web.columns import Columns, match_level, stamp_hit
from catalog.web.labels import plain

MAX_IDS = 64  # hits in one batch; keeps an answer under 3 MB
MAX_UPLOAD_BYTES = 64 * 2**20  # three minutes of stereo at 24 bit and 48 kHz; a hit is far shorter
MAX_UPLOAD_VALUES = 3 * 60 * 48_000 * 2  # samples over all channels, counted while decoding
PREVIEW_S = 0.4  # long enough to recognize a drum; 35 kB each
PREVIEW_SR = 44100  # Hz
N_PEAKS = 64  # columns of a waveform outline
REGION_GRID = 24  # cells along each side of the density histogram
REGION_MIN = 4  # fewest hits of one role for a region label
# Descriptors that may color a point, sent as ranks from 0 to 254; 255 is undefined.
SCALES = {
    "brightness": "centroid_hz", "length": "length_s", "body": "body_hz",
    "loudness": "loudness_lkfs", "strength": "strength", "noise": "flatness",
    "attack": "attack_s", "decay": "decay20_s",
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class PointPack:
    """All points of the map; `ids`, int64, shape (n,), are in the order of `body`.

    `body` is uint32 n; int32 ids, uint32 stamps, float32 x, float32 y (within 0 to 1), float32
    match level in dB, uint16 session, uint8 role, uint8 mark, one uint8 per point for each of
    `SCALES`; then JSON in UTF-8: "scales", "sessions" by their number, and "regions", where hits
    of one role gather, as [role, x, y]. `version` changes with it.
    """

    ids: np.ndarray
    body: bytes
    version: str


def pack_points(columns: Columns, hit_ids: np.ndarray, xy: np.ndarray) -> PointPack:
    """Pack the map for one download; `xy` has a row for each id, ids without a hit are left out."""
    _, rows, at = np.intersect1d(columns.ids, hit_ids, assume_unique=True, return_indices=True)
    place = _to_unit_square(np.asarray(xy, dtype=np.float64).reshape(-1, 2)[at])
    roles = columns.roles[rows]
    numbers = {**columns.numbers, "strength": columns.strength}
    legend = {
        "scales": list(SCALES),
        "sessions": [plain(name) for name in columns.sessions],
        "regions": find_dense_regions(place, roles),
    }
    parts = [
        np.uint32(len(rows)),
        columns.ids[rows].astype("<i4"),
        columns.stamps[rows].astype("<u4"),
        place[:, 0].astype("<f4"),
        place[:, 1].astype("<f4"),
        columns.match_db[rows].astype("<f4"),
        columns.session_of[rows].astype("<u2"),
        roles,
        columns.marks[rows],
        *(_rank(numbers[name][rows]) for name in SCALES.values()),
    ]
    body = b"".join(part.tobytes() for part in parts) + json.dumps(legend).encode()
    return PointPack(columns.ids[rows], body, f"{zlib.crc32(body):08x}{len(rows):x}")


@dataclass(frozen=True, eq=False)
class RowPack:
    """What the list shows of each hit beyond its point, in the order of the points.

    `body` is float32 length in s, float32 brightness in Hz, float32 strength in LKFS, uint32 drum,
    uint16 microphone, all of shape (n,), then JSON in UTF-8: "names" joined by line breaks, "drums"
    and "microphones" by their number, and "tags", the rows of each tag. `version` changes with it.
    """

    body: bytes
    version: str


def pack_rows(columns: Columns, hits: Sequence[Hit], ids: np.ndarray) -> RowPack:
    """Pack the rows of `ids`, each of which is one of `hits`, the hits of `columns`."""
    rows = np.flatnonzero(np.isin(columns.ids, ids))
    rows = rows[np.argsort(columns.ids[rows], kind="stable")]
    shown = [hits[row] for row in rows.tolist()]
    drums, drum_of = _number_words([plain(hit.drum) for hit in shown])
    microphones, microphone_of = _number_words([plain(hit.microphone) for hit in shown])
    tags: dict[str, list[int]] = {}
    for row, hit in enumerate(shown):
        for tag in hit.tags:
            tags.setdefault(tag, []).append(row)
    at = [columns.numbers[name][rows].astype("<f4") for name in ("length_s", "centroid_hz")]
    at.append(np.array([hit.strength_lkfs for hit in shown], "<f4"))
    words = {
        "names": "\n".join(plain(hit.name) for hit in shown),
        "drums": drums, "microphones": microphones, "tags": tags,
    }  # fmt: skip
    parts = [*at, drum_of.astype("<u4"), microphone_of.astype("<u2")]
    body = b"".join(part.tobytes() for part in parts) + json.dumps(words).encode()
    return RowPack(body, f"{zlib.crc32(body):08x}{len(shown):x}")


def _number_words(words: Sequence[str]) -> tuple[list[str], np.ndarray]:
    """Return the different words, and the number of each given one."""
    numbers: dict[str, int] = {}
    numbered = np.array([numbers.setdefault(word, len(numbers)) for word in words], np.int64)
    return list(numbers), numbered


def find_dense_regions(place: np.ndarray, roles: np.ndarray) -> list[tuple[str, float, float]]:
    """Return (role, x, y) of the densest place of the hits of each role, most crowded first.

    `place` has shape (n, 2) and lies within 0 to 1; `roles` has shape (n,) and indexes `ROLES`.
    """
    found = []
    for role in np.unique(roles):
        own = place[roles == role]
        cells = np.clip((own * REGION_GRID).astype(int), 0, REGION_GRID - 1)
        counts = np.zeros((REGION_GRID + 2, REGION_GRID + 2))
        np.add.at(counts, (cells[:, 0] + 1, cells[:, 1] + 1), 1)
        near = sum(np.roll(counts, (a, b), (0, 1)) for a in (-1, 0, 1) for b in (-1, 0, 1))
        at = np.unravel_index(int(np.argmax(near)), counts.shape)
        close = np.abs(cells + 1 - np.array(at)).max(axis=1) <= 1
        if close.sum() >= REGION_MIN:
            x, y = own[close].mean(axis=0)
            found.append((int(close.sum()), ROLES[role], float(x), float(y)))
    return [(role, x, y) for _, role, x, y in sorted(found, reverse=True)]


def _to_unit_square(xy: np.ndarray) -> np.ndarray:
    """Scale each axis to 0 to 1 with a margin; distances on the map have no unit."""
    if not len(xy):
        return xy
    low, high = xy.min(axis=0), xy.max(axis=0)
    span = np.where(high > low, high - low, 1.0)
    return np.asarray(0.04 + 0.92 * (xy - low) / span)


def _rank(numbers: np.ndarray) -> np.ndarray:
    known = np.isfinite(numbers)
    out = np.full(len(numbers), 255, dtype=np.uint8)
    order = np.argsort(np.argsort(numbers[known], kind="stable"), kind="stable")
    out[known] = order * 254 // max(1, len(order) - 1)
    return out


def make_preview(audio: Audio) -> bytes:
    """Return the start of a hit as mono int16 at `PREVIEW_SR`, faded out."""
    frames = audio.samples[: round((PREVIEW_S + 0.05) * audio.sr)]
    mono = frames.mean(axis=1, dtype=np.float32)
    if audio.sr != PREVIEW_SR:
        mono = resample(mono, sr=audio.sr, to_sr=PREVIEW_SR).reshape(-1)
    n = round(PREVIEW_S * PREVIEW_SR)
    if len(mono) > n:
        fade = PREVIEW_SR // 25
        mono = mono[:n].copy()
        mono[-fade:] *= np.linspace(1.0, 0.0, fade, dtype=np.float32)
    return (np.clip(mono, -1.0, 1.0) * 32767).astype("<i2").tobytes()


def join_previews(previews: Sequence[bytes]) -> bytes:
    """Join previews: uint32 rate, uint32 count, uint32 frames of each, then the samples."""
    lengths = np.array([len(one) // 2 for one in previews], dtype="<u4")
    head = np.array([PREVIEW_SR, len(previews)], dtype="<u4")
    return b"".join([head.tobytes(), lengths.tobytes(), *previews])


def make_peaks(audio: Audio) -> bytes:
    """Return a waveform outline: 64 pairs of int8 (lowest, highest), normalized to 127."""
    mono = audio.samples[:, 0] if audio.samples.shape[1] == 1 else audio.samples.mean(axis=1)
    top = abs_peak(mono)
    if top <= 0.0:
        return bytes(2 * N_PEAKS)
    rows = waveform_outline(mono[:, None], n_points=N_PEAKS)
    rows = rows[np.arange(N_PEAKS) * len(rows) // N_PEAKS]  # a very short hit has fewer rows
    outline: bytes = np.round(rows / top * 127).astype(np.int8).tobytes()
    return outline


def pack_wave(wave: np.ndarray) -> bytes:
    """Pack an outline of shape (n, 2), lowest and highest sample, as pairs of int8 up to 127.

    Heights are drawn by their square root, so that a decay 40 dB down is still a tenth as high as
    the loudest.
    """
    high = np.sqrt(np.abs(wave) / max(1e-9, float(np.abs(wave).max(initial=0.0))))
    packed: bytes = np.round(np.sign(wave) * high * 127).astype(np.int8).tobytes()
    return packed


def format_text(hit: Hit) -> str:
    """Return the format of a file as text: "24-bit WAV, 44.1 kHz"."""
    widths = {"FLOAT": "32-bit float", "DOUBLE": "64-bit float"}
    kind, _, bits = hit.subtype.partition("_")
    width = f"{bits}-bit" if kind == "PCM" and bits.isdecimal() else widths.get(kind, "")
    return f"{width} {hit.container}, {hit.sr / 1000:g} kHz".strip()


def pick_row(hit: Hit) -> dict[str, Any]:
    """Return what the browser needs to play and name one hit; no path."""
    return {
        "id": hit.id,
        "stamp": stamp_hit(hit),
        "match_db": round(match_level(hit), 2),
        "name": plain(hit.name),
        "role": hit.role,
        "session": plain(hit.session),
    }


def describe_row(hit: Hit) -> dict[str, Any]:
    """Return all that the browser shows of one hit; NaN as None."""
    numbers = {
        name: (round(value, 5) if math.isfinite(value) else None)
        for name, value in hit.descriptors.items()
    }
    return {
        **pick_row(hit),
        "drum": plain(hit.drum),
        "microphone": plain(hit.microphone),
        "take": plain(hit.take),
        "sure": round(hit.role_confidence, 3),
        "role_source": hit.role_source,
        "numbers": numbers,
        "format": format_text(hit),
        "channels": hit.n_channels,
        "note": plain(hit.note),
        "mark": hit.mark,
        "tags": [plain(tag) for tag in hit.tags],
        "remark": hit.remark,
    }

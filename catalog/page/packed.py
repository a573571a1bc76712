"""Bytes for the browser: points, previews, waveform outlines; little-endian, no names."""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from catalog.library.records import MARKS, ROLES, Hit
from catalog.page.wording import plain
from catalog.sound.decode import Audio, resample

PREVIEW_S = 0.4  # long enough to know a drum by; 35 kB each
PREVIEW_SR = 44100  # Hz
N_PEAKS = 64  # columns of a waveform outline
MATCH_LKFS = -27.0  # audition level before the fader; leaves room for spiky hits
MATCH_PEAK_DB = -3.0  # no audition goes above it before the fader
MATCH_MAX_DB = 24.0  # a hit softer than that is meant to be soft
REGION_GRID = 24  # cells along each side in which the crowds are looked for
REGION_MIN = 4  # hits of one role in reach, below it a name would mislead
SCALES = ("centroid_hz", "length_s", "body_hz")  # colored by rank, 0 to 255; 255 is undefined


@dataclass(frozen=True, eq=False)
class PointPack:
    """All points of the map.

    Attributes
    ----------
    ids : np.ndarray, int64, shape (n,), in the order of `body`
    body : bytes
        uint32 n; int32 ids, uint32 stamps, float32 x, float32 y (within 0 to 1), float32 match
        level in dB, uint16 session, uint8 role, uint8 mark, then one uint8 per point for each of
        `SCALES`
    version : str
        changes when the bytes do
    sessions : tuple of str
        names behind the session numbers
    regions : tuple of (role, x, y)
        where hits of one role gather
    """

    ids: np.ndarray
    body: bytes
    version: str
    sessions: tuple[str, ...]
    regions: tuple[tuple[str, float, float], ...]


def pack_points(hits: Sequence[Hit], hit_ids: np.ndarray, xy: np.ndarray) -> PointPack:
    """Pack the map for one download.

    Parameters
    ----------
    hits : sequence of Hit
    hit_ids : np.ndarray, shape (n,)
        rows of `xy`; ids without a hit are left out
    xy : np.ndarray, shape (n, 2)

    Returns
    -------
    PointPack
    """
    by_id = {hit.id: hit for hit in hits}
    rows = [k for k, hit_id in enumerate(hit_ids) if int(hit_id) in by_id]
    shown = [by_id[int(hit_ids[k])] for k in rows]
    place = _to_unit_square(np.asarray(xy, dtype=np.float64).reshape(-1, 2)[rows])
    sessions = tuple(sorted({hit.session for hit in shown}))
    number = {name: k for k, name in enumerate(sessions)}
    roles = np.array([ROLES.index(hit.role) for hit in shown], dtype=np.uint8)
    ids = np.array([hit.id for hit in shown], dtype=np.int64)
    parts = [
        np.uint32(len(shown)),
        ids.astype("<i4"),
        np.array([stamp_hit(hit) for hit in shown], dtype="<u4"),
        place[:, 0].astype("<f4"),
        place[:, 1].astype("<f4"),
        np.array([match_level(hit) for hit in shown], dtype="<f4"),
        np.array([number[hit.session] for hit in shown], dtype="<u2"),
        roles,
        np.array([MARKS.index(hit.mark) for hit in shown], dtype=np.uint8),
        *(_rank([hit.descriptors.get(name, math.nan) for hit in shown]) for name in SCALES),
    ]
    body = b"".join(part.tobytes() for part in parts)
    version = f"{zlib.crc32(body):08x}{len(shown):x}"
    return PointPack(ids, body, version, sessions, find_regions(place, roles))


def stamp_hit(hit: Hit) -> int:
    """Give a number that changes with the audio of a hit, so that browsers may keep it for good."""
    return zlib.crc32(f"{hit.content_hash}:{hit.start}:{hit.stop}".encode())


def match_level(hit: Hit) -> float:
    """Gain in dB that brings a hit to the audition level without going above the peak limit.

    The browser gets hits beyond full scale scaled down to it, so their excess is taken off first.
    """
    peak_db = hit.descriptors.get("peak_db", math.nan)
    loudness = hit.played_lkfs - max(peak_db, 0.0)
    peak_db = min(peak_db, 0.0)
    if not (math.isfinite(loudness) and math.isfinite(peak_db)):
        return -12.0
    return min(MATCH_LKFS - loudness, MATCH_PEAK_DB - peak_db, MATCH_MAX_DB)


def find_regions(place: np.ndarray, roles: np.ndarray) -> tuple[tuple[str, float, float], ...]:
    """Find, for each role, the spot where most of its hits gather.

    Parameters
    ----------
    place : np.ndarray, shape (n, 2), within 0 to 1
    roles : np.ndarray, uint8, shape (n,), index into `ROLES`

    Returns
    -------
    tuple of (role, x, y), most crowded first
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
    return tuple((role, x, y) for _, role, x, y in sorted(found, reverse=True))


def _to_unit_square(xy: np.ndarray) -> np.ndarray:
    """Move into 0 to 1 with a margin, each side by itself: the distances of a map have no unit."""
    if not len(xy):
        return xy
    low, high = xy.min(axis=0), xy.max(axis=0)
    span = np.where(high > low, high - low, 1.0)
    return np.asarray(0.04 + 0.92 * (xy - low) / span)


def _rank(values: Sequence[float]) -> np.ndarray:
    numbers = np.asarray(values, dtype=np.float64)
    known = np.isfinite(numbers)
    out = np.full(len(numbers), 255, dtype=np.uint8)
    order = np.argsort(np.argsort(numbers[known], kind="stable"), kind="stable")
    out[known] = order * 254 // max(1, len(order) - 1)
    return out


def make_preview(audio: Audio) -> bytes:
    """Give the first moments of a hit, mono int16 at `PREVIEW_SR`, its end faded out."""
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
    """Put previews into one body: uint32 rate, uint32 count, uint32 frames of each, then all."""
    lengths = np.array([len(one) // 2 for one in previews], dtype="<u4")
    head = np.array([PREVIEW_SR, len(previews)], dtype="<u4")
    return b"".join([head.tobytes(), lengths.tobytes(), *previews])


def make_peaks(audio: Audio) -> bytes:
    """Give the outline of a waveform: 64 pairs of int8 (lowest, highest), own maximum 127."""
    mono = audio.samples[:, 0] if audio.samples.shape[1] == 1 else audio.samples.mean(axis=1)
    top = float(np.abs(mono).max()) if len(mono) else 0.0
    if top <= 0.0:
        return bytes(2 * N_PEAKS)
    edges = np.linspace(0, len(mono), N_PEAKS + 1).astype(int)[:-1]
    edges = np.minimum(edges, len(mono) - 1)
    low = np.minimum.reduceat(mono, edges) / top
    high = np.maximum.reduceat(mono, edges) / top
    outline: bytes = np.round(np.stack([low, high], axis=1) * 127).astype(np.int8).tobytes()
    return outline


def format_words(hit: Hit) -> str:
    """Say how a file holds its audio: "24-bit WAV, 44.1 kHz"."""
    widths = {"FLOAT": "32-bit float", "DOUBLE": "64-bit float"}
    kind, _, bits = hit.subtype.partition("_")
    width = f"{bits}-bit" if kind == "PCM" and bits.isdecimal() else widths.get(kind, "")
    return f"{width} {hit.container}, {hit.sr / 1000:g} kHz".strip()


def describe_row(hit: Hit) -> dict[str, Any]:
    """Give what a row of a list needs of one hit: no path, NaN as None."""
    numbers = {
        name: (round(value, 5) if math.isfinite(value) else None)
        for name, value in hit.descriptors.items()
    }
    return {
        "id": hit.id,
        "stamp": stamp_hit(hit),
        "match_db": round(match_level(hit), 2),
        "name": plain(hit.name),
        "role": hit.role,
        "session": plain(hit.session),
        "drum": plain(hit.drum),
        "microphone": plain(hit.microphone),
        "take": plain(hit.take),
        "sure": round(hit.role_confidence, 3),
        "said_by": hit.role_source,
        "numbers": numbers,
        "format": format_words(hit),
        "channels": hit.n_channels,
        "note": plain(hit.note),
        "mark": hit.mark,
        "tags": [plain(tag) for tag in hit.tags],
        "remark": hit.remark,
    }

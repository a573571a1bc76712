"""All hits as columns, so that filters and colors are array operations."""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from catalog.features.descriptors.table import DESCRIPTORS
from catalog.models import MARKS, ROLES, Hit, RoleSource

MATCH_LKFS = -27.0  # audition level before the fader; leaves headroom for hits of high crest factor
MATCH_PEAK_DB = -3.0  # highest peak before the fader, dBFS
MATCH_MAX_DB = 24.0  # largest gain; softer hits stay soft
MATCH_UNKNOWN_DB = -12.0  # gain of a hit without a loudness, dB
MIN_STROKES = 3  # strokes of one drum; fewer give no ranking by strength


@dataclass(frozen=True, eq=False)
class Columns:
    """One row a hit, in the order of the list of hits; arrays have shape (n,).

    `strength` is the share of the other strokes of its drum, by the same microphone, that are not
    louder, 0 to 1; NaN where its drum has fewer than three.
    """

    ids: np.ndarray  # int64
    stamps: np.ndarray  # uint32; see `stamp_hit`
    match_db: np.ndarray  # see `match_levels`
    roles: np.ndarray  # uint8, into `ROLES`
    marks: np.ndarray  # uint8, into `MARKS`
    session_of: np.ndarray  # int64, into `sessions`
    sessions: tuple[str, ...]
    sure: np.ndarray  # confidence of the role, 0 to 1; 2 where the user confirmed it
    numbers: Mapping[str, np.ndarray]  # by descriptor; NaN where undefined
    strength: np.ndarray
    tags: tuple[tuple[str, ...], ...]


def update_columns(before: tuple[Sequence[Hit], Columns] | None, hits: Sequence[Hit]) -> Columns:
    """Make hits into columns; rows of the same `Hit` objects are copied from the columns before.

    All are made again if hits were added, removed or moved to another session, or if most changed.
    """
    if before is None or len(before[0]) != len(hits):
        return make_columns(hits)
    old_hits, columns = before
    changed = [
        row for row, (old, new) in enumerate(zip(old_hits, hits, strict=True)) if old is not new
    ]
    moved = any(
        (old_hits[k].id, old_hits[k].session) != (hits[k].id, hits[k].session) for k in changed
    )
    if moved or len(changed) > len(hits) // 2:
        return make_columns(hits)
    if not changed:
        return columns
    part = make_columns([hits[k] for k in changed])

    def put_array(whole: np.ndarray, values: np.ndarray) -> np.ndarray:
        whole = whole.copy()
        whole[changed] = values
        return whole

    def put_items(whole: tuple[Any, ...], values: tuple[Any, ...]) -> tuple[Any, ...]:
        items = list(whole)
        for row, value in zip(changed, values, strict=True):
            items[row] = value
        return tuple(items)

    numbers = {
        name: put_array(whole, part.numbers[name]) for name, whole in columns.numbers.items()
    }
    arrays: dict[str, Any] = {
        name: put_array(getattr(columns, name), getattr(part, name))
        for name in ("stamps", "match_db", "roles", "marks", "sure")
    }
    return replace(
        columns,
        **arrays,
        numbers=numbers,
        strength=_strengths(hits, numbers["loudness_lkfs"]),
        tags=put_items(columns.tags, part.tags),
    )


def make_columns(hits: Sequence[Hit]) -> Columns:
    """Make hits into columns."""
    n = len(hits)
    names = [d.name for d in DESCRIPTORS]
    table = np.array(
        [[hit.descriptors.get(name, math.nan) for name in names] for hit in hits], np.float64
    ).reshape(n, len(names))
    numbers = dict(zip(names, table.T.copy(), strict=True))
    sessions = tuple(sorted({hit.session for hit in hits}))
    place = {name: k for k, name in enumerate(sessions)}
    role_at, mark_at = ({w: k for k, w in enumerate(words)} for words in (ROLES, MARKS))
    played = np.array([hit.played_lkfs for hit in hits], np.float64)
    sure = [2.0 if hit.role_source == RoleSource.USER else hit.role_confidence for hit in hits]
    return Columns(
        np.array([hit.id for hit in hits], np.int64),
        np.array([stamp_hit(hit) for hit in hits], np.uint32),
        match_levels(played, numbers["peak_db"]),
        np.array([role_at[hit.role] for hit in hits], np.uint8),
        np.array([mark_at[hit.mark] for hit in hits], np.uint8),
        np.array([place[hit.session] for hit in hits], np.int64),
        sessions,
        np.array(sure, np.float64),
        numbers,
        _strengths(hits, numbers["loudness_lkfs"]),
        tuple(hit.tags for hit in hits),
    )


def stamp_hit(hit: Hit) -> int:
    """Return a number that changes with the audio of a hit, for addresses that are cached."""
    return zlib.crc32(f"{hit.content_hash}:{hit.span_text}{hit.origin.get('mix', '')}".encode())


def match_levels(played_lkfs: np.ndarray, peak_db: np.ndarray) -> np.ndarray:
    """Return gains in dB that bring hits to the audition level within the peak limit.

    The browser receives hits beyond full scale scaled down to it, so their excess is removed first.
    Levels are in LKFS and dBFS, all of shape (n,).
    """
    loudness, peak = played_lkfs - np.maximum(peak_db, 0.0), np.minimum(peak_db, 0.0)
    gain = np.minimum(np.minimum(MATCH_LKFS - loudness, MATCH_PEAK_DB - peak), MATCH_MAX_DB)
    return np.where(np.isfinite(loudness) & np.isfinite(peak), gain, MATCH_UNKNOWN_DB)


def match_level(hit: Hit) -> float:
    """Return the gain of one hit in dB, see `match_levels`."""
    peak_db = hit.descriptors.get("peak_db", math.nan)
    return float(match_levels(np.array([hit.played_lkfs]), np.array([peak_db]))[0])


def _strengths(hits: Sequence[Hit], loudness: np.ndarray) -> np.ndarray:
    drums: dict[tuple[str, ...], list[int]] = {}
    for row, hit in enumerate(hits):
        if math.isfinite(loudness[row]):
            drum = (hit.session, hit.drum, hit.microphone, hit.role)
            drums.setdefault(drum, []).append(row)
    out = np.full(len(hits), math.nan)
    for rows in drums.values():
        if len(rows) >= MIN_STROKES:
            levels = loudness[rows]
            not_louder = np.searchsorted(np.sort(levels), levels, side="right") - 1
            out[rows] = not_louder / (len(rows) - 1)
    return out

"""Which hits fit the words and ranges that a person set: one bit per point of the map."""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from catalog.library.records import ROLES, Hit
from catalog.page.wording import ROLE_WORDS


@dataclass(frozen=True)
class Wanted:
    """What a hit must be.

    Attributes
    ----------
    words : str
        each must be in the name, session, drum, microphone, take, note or role
    roles, sessions : tuple of str
        any of them; empty is all
    ranges : mapping of descriptor name to (lowest, highest)
        a hit without that number does not fit
    unsure : bool
        only hits whose role nobody confirmed and the catalog doubts
    """

    words: str = ""
    roles: tuple[str, ...] = ()
    sessions: tuple[str, ...] = ()
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    unsure: bool = False


@dataclass(frozen=True)
class Summary:
    """What there is to choose from: names in order, and lowest and highest of each number."""

    roles: tuple[str, ...]
    sessions: tuple[str, ...]
    spans: Mapping[str, tuple[float, float]]


_summed: tuple[Sequence[Hit], Summary] | None = None


def summarize(hits: Sequence[Hit]) -> Summary:
    """Sum up all hits; the same list is summed up only once.

    Parameters
    ----------
    hits : sequence of Hit, not to be altered afterwards

    Returns
    -------
    Summary
    """
    global _summed
    if _summed is None or _summed[0] is not hits:
        present = {hit.role for hit in hits}
        spans = {}
        for name in RANGES:
            values = np.array([hit.descriptors.get(name, math.nan) for hit in hits])
            if np.isfinite(values).any():
                known = values[np.isfinite(values)]
                spans[name] = (float(known.min()), float(known.max()))
        roles = tuple(role for role in ROLES if role in present)
        _summed = (hits, Summary(roles, tuple(sorted({hit.session for hit in hits})), spans))
    return _summed[1]


RANGES = {"length_s": ("Length", "s"), "centroid_hz": ("Brightness", "Hz")}
UNSURE = 0.6  # confidence below which a role wants a look; a judgement, no source


def fits(hit: Hit, wanted: Wanted) -> bool:
    """Say whether one hit is wanted."""
    if wanted.roles and hit.role not in wanted.roles:
        return False
    if wanted.sessions and hit.session not in wanted.sessions:
        return False
    if wanted.unsure and (hit.role_source == "user" or hit.role_confidence >= UNSURE):
        return False
    for name, (low, high) in wanted.ranges.items():
        if not low <= hit.descriptors.get(name, math.nan) <= high:
            return False
    return not wanted.words or _has_words(hit, wanted.words.casefold().split())


def _has_words(hit: Hit, words: Sequence[str]) -> bool:
    parts = (hit.name, hit.session, hit.drum, hit.microphone, hit.take, hit.note)
    text = " ".join((*parts, hit.role, ROLE_WORDS[hit.role])).casefold()
    return all(word in text for word in words)


def make_mask(
    hits: Sequence[Hit], ids: np.ndarray, wanted: Wanted
) -> tuple[bytes | None, int, str]:
    """Mark the points that fit.

    Parameters
    ----------
    hits : sequence of Hit
    ids : np.ndarray, int64, shape (n,)
        the points, in the map's order
    wanted : Wanted

    Returns
    -------
    mask : bytes or None
        one bit per point, highest bit first; None if nothing is asked for
    n_found : int
    version : str
        changes when the mask does
    """
    if wanted == Wanted():
        return None, len(ids), ""
    found = {hit.id for hit in hits if fits(hit, wanted)}
    bits = np.fromiter((int(hit_id) in found for hit_id in ids), dtype=bool, count=len(ids))
    mask = np.packbits(bits).tobytes()
    return mask, int(bits.sum()), f"{zlib.crc32(mask + ids.tobytes()):08x}-{len(ids)}"

"""Match hits with the words and ranges of the search row."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from catalog.features.descriptors import DESCRIPTORS
from catalog.models import MARKS, ROLES
from catalog.web.columns import Columns

RANGES = {d.name: (d.label, d.unit) for d in DESCRIPTORS}
UNSURE = 0.6  # confidence below which a role should be checked; a judgement, no source
UNMARKED = "none"  # stands for hits without a mark


@dataclass(frozen=True)
class Wanted:
    """Conditions that a hit must meet.

    Each of `words` must be in one of its texts, see `Columns.texts`. Of roles, sessions and marks
    ("none" is a hit without one) one must be its own, empty is all; it must have all the tags.
    """

    words: str = ""
    roles: tuple[str, ...] = ()
    sessions: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    # Lowest and highest of a descriptor, None is open; a hit without that number does not fit.
    ranges: Mapping[str, tuple[float | None, float | None]] = field(default_factory=dict)
    unsure: bool = False  # only hits whose role is uncertain and not confirmed by a person


@dataclass(frozen=True)
class Summary:
    """Choices that the hits offer: names in order, and the range of each number."""

    roles: tuple[str, ...]
    sessions: tuple[str, ...]
    marks: tuple[str, ...]
    tags: tuple[str, ...]
    spans: Mapping[str, tuple[float, float]]


@lru_cache(maxsize=2)
def summarize(columns: Columns) -> Summary:
    """Return the choices that the hits offer."""
    spans = {}
    for name, values in columns.numbers.items():
        known = values[np.isfinite(values)]
        if len(known):
            spans[name] = (float(known.min()), float(known.max()))
    return Summary(
        tuple(ROLES[k] for k in np.unique(columns.roles)),
        columns.sessions,
        tuple(MARKS[k] or UNMARKED for k in np.unique(columns.marks)),
        tuple(sorted({tag for tags in columns.tags for tag in tags})),
        spans,
    )


def find_rows(columns: Columns, wanted: Wanted) -> np.ndarray:
    """Return which rows meet the conditions, bool, shape (n,)."""
    fits = np.ones(len(columns.ids), bool)
    if wanted.roles:
        fits &= np.isin(columns.roles, [ROLES.index(role) for role in wanted.roles])
    if wanted.sessions:
        places = [k for k, name in enumerate(columns.sessions) if name in wanted.sessions]
        fits &= np.isin(columns.session_of, places)
    if wanted.marks:
        marks = [MARKS.index("" if mark == UNMARKED else mark) for mark in wanted.marks]
        fits &= np.isin(columns.marks, marks)
    if wanted.unsure:
        fits &= columns.sure < UNSURE
    for name, (low, high) in wanted.ranges.items():
        values = columns.numbers.get(name, np.full(len(fits), np.nan))
        fits &= values >= (-np.inf if low is None else low)
        fits &= values <= (np.inf if high is None else high)
    for tag in wanted.tags:
        fits &= np.fromiter((tag in tags for tags in columns.tags), bool, len(fits))
    for word in wanted.words.casefold().split():
        fits &= np.fromiter((word in text for text in columns.texts), bool, len(fits))
    return fits


def make_mask(columns: Columns, ids: np.ndarray, wanted: Wanted) -> tuple[bytes | None, int, str]:
    """Return which points meet the conditions: a mask, their number, and a version of the mask.

    The mask has one bit for each of `ids`, highest bit first; it is None without any condition.
    """
    if wanted == Wanted():
        return None, len(ids), ""
    bits = np.isin(ids, columns.ids[find_rows(columns, wanted)])
    mask = np.packbits(bits).tobytes()
    return mask, int(bits.sum()), f"{zlib.crc32(mask + ids.tobytes()):08x}-{len(ids)}"

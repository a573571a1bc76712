"""Match hits with the words and ranges of the search row."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from catalog.features.descriptors import DESCRIPTORS
from catalog.kit.fill.explain import UNSURE
from catalog.models import MARKS, ROLES, Mark
from catalog.web.columns import Columns

RANGES = {d.name: (d.label, d.unit) for d in DESCRIPTORS}
NO_GOOD = MARKS.index(Mark.NO_GOOD)
UNMARKED = "none"  # choice in the list of marks that finds hits without one


@dataclass(frozen=True)
class SearchConditions:
    """Conditions that a hit must meet.

    Each of `words` must occur in the texts of the hit, see `Columns.texts`. Its role, session and
    mark must be among those given ("none" for a hit without a mark); an empty tuple allows all, but
    hits marked "no-good" are found only if that mark is given. A hit must have all of `tags`.
    """

    words: str = ""
    roles: tuple[str, ...] = ()
    sessions: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    # Lowest and highest value of a descriptor, None for no limit; a hit without a value fails.
    ranges: Mapping[str, tuple[float | None, float | None]] = field(default_factory=dict)
    unsure: bool = False  # only hits whose role is uncertain and not confirmed by the user


@dataclass(frozen=True)
class SearchChoices:
    """Names that occur among the hits, in order, and the range of each descriptor."""

    roles: tuple[str, ...]
    sessions: tuple[str, ...]
    marks: tuple[str, ...]
    tags: tuple[str, ...]
    spans: Mapping[str, tuple[float, float]]


@lru_cache(maxsize=2)
def find_choices(columns: Columns) -> SearchChoices:
    """Return the names and ranges that occur among the hits."""
    spans = {}
    for name, values in columns.numbers.items():
        known = values[np.isfinite(values)]
        if len(known):
            spans[name] = (float(known.min()), float(known.max()))
    return SearchChoices(
        tuple(ROLES[k] for k in np.unique(columns.roles)),
        columns.sessions,
        tuple(MARKS[k] or UNMARKED for k in np.unique(columns.marks)),
        tuple(sorted({tag for tags in columns.tags for tag in tags})),
        spans,
    )


def find_rows(columns: Columns, conditions: SearchConditions) -> np.ndarray:
    """Return which rows meet the conditions, bool, shape (n,)."""
    fits = np.ones(len(columns.ids), bool)
    if conditions.roles:
        fits &= np.isin(columns.roles, [ROLES.index(role) for role in conditions.roles])
    if conditions.sessions:
        places = [k for k, name in enumerate(columns.sessions) if name in conditions.sessions]
        fits &= np.isin(columns.session_of, places)
    if conditions.marks:
        marks = [MARKS.index("" if mark == UNMARKED else mark) for mark in conditions.marks]
        fits &= np.isin(columns.marks, marks)
    else:
        fits &= columns.marks != NO_GOOD
    if conditions.unsure:
        fits &= columns.sure < UNSURE
    for name, (low, high) in conditions.ranges.items():
        values = columns.numbers.get(name, np.full(len(fits), np.nan))
        fits &= values >= (-np.inf if low is None else low)
        fits &= values <= (np.inf if high is None else high)
    for tag in conditions.tags:
        fits &= np.fromiter((tag in tags for tags in columns.tags), bool, len(fits))
    for word in conditions.words.casefold().split():
        fits &= np.fromiter((word in text for text in columns.texts), bool, len(fits))
    return fits


def make_mask(
    columns: Columns, ids: np.ndarray, conditions: SearchConditions
) -> tuple[bytes | None, int, str]:
    """Return which points meet the conditions: a mask, their number, and a version of the mask.

    The mask has one bit for each of `ids`, highest bit first; it is None without any condition, if
    no hit is marked "no-good".
    """
    if conditions == SearchConditions() and not (columns.marks == NO_GOOD).any():
        return None, len(ids), ""
    bits = np.isin(ids, columns.ids[find_rows(columns, conditions)])
    mask = np.packbits(bits).tobytes()
    return mask, int(bits.sum()), f"{zlib.crc32(mask + ids.tobytes()):08x}-{len(ids)}"

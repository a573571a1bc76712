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

    Attributes
    ----------
    words : str
        each must be in the name, session, drum, microphone, take, note, remark, tags, mark or
        role, or in what the recorder wrote
    roles, sessions, marks : tuple of str
        any of them; empty is all; a mark may be "none"
    tags : tuple of str
        all of them
    ranges : mapping of descriptor name to (lowest, highest)
        None is open; a hit without that number does not fit
    unsure : bool
        only hits whose role is uncertain and not confirmed by a person
    """

    words: str = ""
    roles: tuple[str, ...] = ()
    sessions: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    ranges: Mapping[str, tuple[float | None, float | None]] = field(default_factory=dict)
    unsure: bool = False


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
    """Return the choices that the hits offer.

    Parameters
    ----------
    columns : Columns

    Returns
    -------
    Summary
    """
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
    """Return which hits meet the conditions.

    Parameters
    ----------
    columns : Columns, n rows
    wanted : Wanted

    Returns
    -------
    np.ndarray, bool, shape (n,)
    """
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
    """Return the points that meet the conditions as a bit mask.

    Parameters
    ----------
    columns : Columns
    ids : np.ndarray, int64, shape (n,)
        the points, in the map's order
    wanted : Wanted

    Returns
    -------
    mask : bytes or None
        one bit per point, highest bit first; None without any condition
    n_found : int
    version : str
        changes when the mask does
    """
    if wanted == Wanted():
        return None, len(ids), ""
    bits = np.isin(ids, columns.ids[find_rows(columns, wanted)])
    mask = np.packbits(bits).tobytes()
    return mask, int(bits.sum()), f"{zlib.crc32(mask + ids.tobytes()):08x}-{len(ids)}"

"""Match hits with the words and ranges of the search row."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from catalog.catalog import Catalog
from catalog.features.descriptors import DESCRIPTORS
from catalog.models import MARKS, ROLES, UNSURE_CONFIDENCE, Mark
from catalog.search.conditions.text import parse_query
from catalog.web.columns import Columns

RANGES = {d.name: (d.label, d.unit) for d in DESCRIPTORS}
NO_GOOD = MARKS.index(Mark.NO_GOOD)
UNMARKED = "none"  # choice in the list of marks that finds hits without one


@dataclass(frozen=True)
class SearchConditions:
    """Conditions that a hit must meet.

    Its role, session and mark must be among those given ("none" for a hit without a mark); an empty
    tuple allows all, but hits marked "no-good" are found only if that mark is given. A hit must
    have all of `tags`, and be one of those that the query of the search field finds.
    """

    query: str = ""  # see `catalog.search.conditions.text.parse_query`
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


@dataclass(frozen=True, eq=False)
class QueryAnswer:
    """The hits that the query of the search field finds."""

    ids: np.ndarray  # int64
    no_good: bool = False  # the query names marks, so that those marked "no-good" may be shown


def answer_query(catalog: Catalog, text: str) -> QueryAnswer:
    """Return the hits that a query finds; raise `CatalogError` if it cannot be understood."""
    query = parse_query(text)
    ids = np.array(catalog.search.find_ids(query), np.int64)
    return QueryAnswer(ids, no_good=bool(query.marks))


def find_rows(
    columns: Columns, conditions: SearchConditions, answer: QueryAnswer | None = None
) -> np.ndarray:
    """Return which rows meet the conditions, bool, shape (n,)."""
    fits = np.ones(len(columns.ids), bool)
    if answer is not None:
        fits &= np.isin(columns.ids, answer.ids)
    if conditions.roles:
        fits &= np.isin(columns.roles, [ROLES.index(role) for role in conditions.roles])
    if conditions.sessions:
        places = [k for k, name in enumerate(columns.sessions) if name in conditions.sessions]
        fits &= np.isin(columns.session_of, places)
    if conditions.marks:
        marks = [MARKS.index("" if mark == UNMARKED else mark) for mark in conditions.marks]
        fits &= np.isin(columns.marks, marks)
    elif answer is None or not answer.no_good:
        fits &= columns.marks != NO_GOOD
    if conditions.unsure:
        fits &= columns.sure < UNSURE_CONFIDENCE
    for name, (low, high) in conditions.ranges.items():
        values = columns.numbers.get(name, np.full(len(fits), np.nan))
        fits &= values >= (-np.inf if low is None else low)
        fits &= values <= (np.inf if high is None else high)
    for tag in conditions.tags:
        fits &= np.fromiter((tag in tags for tags in columns.tags), bool, len(fits))
    return fits


def make_mask(
    columns: Columns,
    ids: np.ndarray,
    conditions: SearchConditions,
    answer: QueryAnswer | None = None,
) -> tuple[bytes | None, int, str]:
    """Return which points meet the conditions: a mask, their number, and a version of the mask.

    The mask has one bit for each of `ids`, highest bit first; it is None without any condition, if
    no hit is marked "no-good".
    """
    if conditions == SearchConditions() and not (columns.marks == NO_GOOD).any():
        return None, len(ids), ""
    bits = np.isin(ids, columns.ids[find_rows(columns, conditions, answer)])
    mask = np.packbits(bits).tobytes()
    return mask, int(bits.sum()), f"{zlib.crc32(mask + ids.tobytes()):08x}-{len(ids)}"

"""Match hits with what the page asks for: words, tags, ranges of numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from catalog.catalog import Catalog
from catalog.features.descriptors.table import DESCRIPTORS
from catalog.models import MARKS, ROLES, UNSURE_CONFIDENCE, Mark
from catalog.search.conditions.text import parse_query
from catalog.web.columns import Columns

RANGES = {d.name: (d.label, d.unit) for d in DESCRIPTORS}
NO_GOOD = MARKS.index(Mark.NO_GOOD)
UNMARKED = "none"  # choice in the list of marks that finds hits without one
KNOWN_MARKS = frozenset(mark or UNMARKED for mark in MARKS)


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


def read_conditions(body: Any) -> SearchConditions:
    """Read {"query": "dry", "marks": ["none"], "ranges": {"length_s": [0.1, null]}}.

    Each part may be missing; "tags" and "unsure" are read too.

    Raises
    ------
    ValueError
        if it is not of that form
    """
    if not isinstance(body, dict):
        raise ValueError("the question is not understood")
    query, ranges = body.get("query", ""), body.get("ranges", {})
    tags, marks = (_read_words(body.get(name, [])) for name in ("tags", "marks"))
    if not isinstance(query, str) or not isinstance(ranges, dict) or set(marks) - KNOWN_MARKS:
        raise ValueError("the question is not understood")
    ends = {str(name): _read_range(pair) for name, pair in ranges.items()}
    return SearchConditions(
        query=query.strip(), marks=marks, tags=tags, ranges=ends, unsure=bool(body.get("unsure"))
    )


def _read_words(words: Any) -> tuple[str, ...]:
    if not isinstance(words, list) or not all(isinstance(word, str) for word in words):
        raise ValueError("the question is not understood")
    return tuple(words)


def _read_range(pair: Any) -> tuple[float | None, float | None]:
    if not isinstance(pair, list) or len(pair) != 2:
        raise ValueError("a range has two ends")
    low, high = (None if end is None else float(end) for end in pair)
    return low, high


def make_mask(
    columns: Columns,
    ids: np.ndarray,
    conditions: SearchConditions,
    answer: QueryAnswer | None = None,
) -> bytes:
    """Return which of `ids` meet the conditions: one bit each, highest bit first."""
    found = columns.ids[find_rows(columns, conditions, answer)]
    return np.packbits(np.isin(ids, found)).tobytes()

"""Turn a query into one SQL statement over the narrow tables, and run it."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Sequence
from typing import Any

from catalog.features.faults import FAULT_KINDS
from catalog.library.review.faults import MULTI_ONSET_ROLES
from catalog.library.store.database import Database, placeholders
from catalog.library.store.store import Store
from catalog.models import NOISES, UNSURE_CONFIDENCE
from catalog.search.conditions.columns import find_column
from catalog.search.conditions.names import WILDCARDS, find_names, find_sessions
from catalog.search.conditions.where import select_where
from catalog.search.conditions.words import correct_words, unicode_forms
from catalog.search.query import ANY_FAULT, UNMARKED, Query
from catalog.search.roles.names import DOUBTED_NAMES

SEPARATOR = os.sep  # between the folders of the paths in the store
Part = tuple[str, Sequence[Any]]  # SQL with its values
# Another microphone of the same stroke stands for the hit; both are in the same state.
NO_COMPANION = (
    "NOT EXISTS (SELECT 1 FROM microphone m JOIN hit_search r ON r.hit_id = m.stroke"
    " WHERE m.hit_id = s.hit_id AND m.stroke != m.hit_id AND r.state = s.state)"
)
# The wide rows of `hit` are read for dismissed faults only.
FAULTY = (
    "SELECT {0} FROM fault f LEFT JOIN microphone m ON m.hit_id = f.hit_id WHERE f.found LIKE ?{1}"
    " AND f.hit_id NOT IN (SELECT d.hit_id FROM fault_dismissed d JOIN hit h ON h.id = d.hit_id"
    " WHERE d.kind = ? AND d.content_hash = h.content_hash)"
)
MISNAMED = (
    "s.role_source = 'name' AND s.hit_id IN (SELECT json_extract(d.value, '$[0]')"
    " FROM json_each((SELECT value FROM setting WHERE key = ?)) d)"
)
SECOND = "second"  # a kind that is no fault of roles with several onsets
OF_ONE_ONSET = " AND (SELECT role FROM hit_search r WHERE r.hit_id = f.hit_id) NOT IN ({0})"


def select_ids(store: Store, query: Query, *, only: Sequence[int] | None = None) -> list[int]:
    """Return the ids of the hits that meet a query but for `like` and `copies_of`, in its order.

    Parameters
    ----------
    query : Query
    only : sequence of int, optional, hits to choose from

    Returns
    -------
    list of int, by id if the query has no order

    Raises
    ------
    ParameterError
        if a session, drum or microphone is unknown, or `where` is no expression
    """
    database = store.database
    parts = [*_text_parts(database, query), *_value_parts(query), *_looked_up_parts(store, query)]
    if query.ids is not None:
        parts.append(_one_of_ids("s.hit_id", query.ids))
    if only is not None:
        parts.append(_one_of_ids("s.hit_id", only))
    if not query.each_microphone:
        parts.append((NO_COMPANION, ()))
    where = " AND ".join(sql for sql, _ in parts)
    values = [value for _, own in parts for value in own]
    sql = f"SELECT s.hit_id FROM hit_search s WHERE {where} ORDER BY {_order(query)}"
    if query.limit is not None and query.like is None:
        sql += f" LIMIT {int(query.limit)}"
    return [row[0] for row in database.read(sql, values)]


def select_values(
    database: Database, hit_ids: Sequence[int], words: Sequence[str]
) -> dict[int, tuple[Any, ...]]:
    """Return the values of some columns, given by their words, for some hits by id."""
    columns = ", ".join(find_column(word, option="columns").sql for word in words)
    where, values = _one_of_ids("hit_id", hit_ids)
    sql = f"SELECT hit_id, {columns} FROM hit_search WHERE {where}"
    return {row[0]: tuple(row[1:]) for row in database.read(sql, values)}


def _text_parts(database: Database, query: Query) -> list[Part]:
    """Return the conditions on columns of text."""
    parts: list[Part] = [_one_of("s.state", query.states)]
    if query.roles:
        parts.append(_one_of("s.role", query.roles))
    if query.sessions:
        parts.append(_one_of("s.session", find_sessions(database, query.sessions)))
    if query.drums:
        parts.append(_one_of("s.drum", find_names(database, "drum", query.drums)))
    if query.dampings:
        parts.append(_one_of("s.damping", query.dampings))
    if query.marks:
        parts.append(_one_of("s.mark", [mark.replace(UNMARKED, "") for mark in query.marks]))
    if query.microphones:
        parts.append(_microphone_part(database, query))
    if query.events:
        parts.append(_one_of("s.event", query.events))
    else:  # as in `Hits.read`
        sql, values = _one_of("s.event", [str(event) for event in NOISES])
        parts.append((f"(s.state != 'here' OR NOT {sql})", values))
    for tag in query.tags:
        has_tag = "EXISTS (SELECT 1 FROM json_each(s.tags) WHERE lower(value) = lower(?))"
        parts.append((f"s.tags != '[]' AND {has_tag}", (tag,)))
    if query.unsure:
        parts.append(("s.role_source != 'user' AND s.confidence < ?", (UNSURE_CONFIDENCE,)))
    if query.misnamed:
        parts.append((MISNAMED, (DOUBTED_NAMES,)))
    return parts


def _microphone_part(database: Database, query: Query) -> Part:
    """Return the condition that one of the microphones of a stroke has one of the names."""
    sql, names = _one_of("o.microphone", find_names(database, "microphone", query.microphones))
    own = f"SELECT o.hit_id FROM hit_search o WHERE {sql}"
    if query.each_microphone:
        return f"s.hit_id IN ({own})", names
    tied = f"SELECT m.stroke FROM microphone m JOIN hit_search o ON o.hit_id = m.hit_id WHERE {sql}"
    return f"s.hit_id IN ({own} UNION ALL {tied})", (*names, *names)


def _value_parts(query: Query) -> list[Part]:
    """Return the conditions on numbers and dates."""
    parts: list[Part] = []
    for column, found in query.numbers:
        parts.append((f"s.{column.sql} BETWEEN ? AND ?", (found.low, found.high)))
    for column, period in query.dates:
        parts.append((f"s.{column.sql} BETWEEN ? AND ?", (period.first, f"{period.last}~")))
    return parts


def _looked_up_parts(store: Store, query: Query) -> list[Part]:
    """Return the conditions that need other tables: names, words, faults and `where`."""
    parts: list[Part] = []
    if query.names:
        found = [_name_part(form) for pattern in query.names for form in unicode_forms(pattern)]
        parts.append((f"({' OR '.join(sql for sql, _ in found)})", [v for _, (v,) in found]))
    if query.words.split():
        parts.append(_words_part(store.database, query.words))
    if query.faults:
        parts.append(_fault_part(query))
    if query.where:
        ids = select_where(store.path, query.where, immutable=store.database.is_read_only)
        parts.append(_one_of_ids("s.hit_id", ids))
    return parts


def _name_part(pattern: str) -> Part:
    """Return the condition of a pattern; one without wildcards may be any piece of the name."""
    has_wildcard = any(sign in pattern for sign in WILDCARDS)
    lower = "".join(c.lower() if c.isascii() else c for c in pattern)  # as SQLite's `lower` does
    glob = lower if has_wildcard else f"*{lower}*"
    if "/" in pattern:
        text = f"replace(lower(h.path), '{SEPARATOR}', '/')"
        path = f"SELECT 1 FROM hit h WHERE h.id = s.hit_id AND {text} GLOB ?"
        return f"EXISTS ({path})", (glob,)
    if "[" in glob:
        return "lower(s.name) GLOB ?", (glob,)
    # LIKE ignores the case of ASCII letters by itself, which saves a third of the time.
    like = re.sub(r"([%_\\])", r"\\\1", glob).replace("*", "%").replace("?", "_")
    return r"s.name LIKE ? ESCAPE '\'", (like,)


def _words_part(database: Database, words: str) -> Part:
    each = correct_words(database, words)
    sql = " AND ".join(f"({' OR '.join(['instr(words, ?)'] * len(near))})" for near in each)
    values = [word for near in each for word in near]
    return f"s.hit_id IN (SELECT hit_id FROM hit_words WHERE {sql})", values


def _fault_part(query: Query) -> Part:
    kinds = list(FAULT_KINDS) if ANY_FAULT in query.faults else list(query.faults)
    hit_id = "f.hit_id" if query.each_microphone else "coalesce(m.stroke, f.hit_id)"
    of_one_onset = OF_ONE_ONSET.format(placeholders(len(MULTI_ONSET_ROLES)))
    each, values = [], list[str]()
    for kind in kinds:
        is_second = kind == SECOND
        each.append(FAULTY.format(hit_id, of_one_onset * is_second))
        values += [f'%["{kind}",%', *(MULTI_ONSET_ROLES if is_second else ()), kind]
    return f"s.hit_id IN ({' UNION ALL '.join(each)})", values


def _one_of(column: str, values: Sequence[str]) -> Part:
    return f"{column} IN ({placeholders(len(values))})", [str(value) for value in values]


def _one_of_ids(column: str, ids: Sequence[int]) -> Part:
    return f"{column} IN (SELECT value FROM json_each(?))", (json.dumps(list(map(int, ids))),)


def _order(query: Query) -> str:
    keys = []
    for key in query.sort:
        column = find_column(key.lstrip("-"), option="sort")
        collate = " COLLATE NOCASE" if column.kind == "text" else ""
        down = " DESC" if key.startswith("-") else ""
        keys.append(f"s.{column.sql} IS NULL, s.{column.sql}{collate}{down}")
    return ", ".join([*keys, "s.hit_id"])

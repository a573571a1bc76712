"""`Query`: which hits are meant, in what order, and how many; the same in Python and everywhere.

Its fields are texts as a person writes them. `catalog.search.conditions.sql.select_ids` answers it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from catalog.errors import ParameterError
from catalog.features.faults import FAULT_KINDS
from catalog.models import EVENTS, MARKS, STATES, State
from catalog.search.conditions.columns import (
    DATE_COLUMNS,
    NUMBER_WORDS,
    Column,
    find_column,
    suggest,
)
from catalog.search.conditions.names import find_roles
from catalog.search.conditions.ranges import Period, Range, RangeSpec, parse_period, parse_range

ANY_FAULT = "any"
UNMARKED = "none"
DAMPINGS = ("open", "damped")
MAX_LIMIT = 10**9
# Conditions with a list of texts, by the word that names one of them.
LISTS = {
    "name": "names", "role": "roles", "session": "sessions", "drum": "drums",
    "microphone": "microphones", "damping": "dampings", "mark": "marks", "tag": "tags",
    "fault": "faults", "event": "events",
}  # fmt: skip
DATES = tuple(column.word for column in DATE_COLUMNS)
SINGLE = (
    "ids", "words", "unsure", "misnamed", "where", "like", "copies_of", "states",
    "each_microphone", "sort", "limit",
)  # fmt: skip
CONDITIONS = (*LISTS, *DATES, *NUMBER_WORDS, *SINGLE)


@dataclass(frozen=True)
class Query:
    """Conditions that a hit must meet; an empty one allows all. Make it with `make_query`.

    Attributes
    ----------
    ids : tuple of int or None, numbers of hits to choose from
    words : str, each of which must occur in the name, session, drum, notes, tags ... of the hit
    names : tuple of str, patterns with * and ?; one with a slash is compared with the path
    roles, sessions, drums, microphones, dampings, marks : tuple of str, one of which must fit
    tags : tuple of str, all of which the hit must have
    faults : tuple of str, kinds of faults, one of which it must have; "any" for all kinds
    events : tuple of str, what the recording holds: "stroke", "roll", "loop" ..., one of which must
        fit; without any, voices and other noises are left out
    numbers : tuple of column and Range, all of which must fit; a hit without the number does not
    dates : tuple of column and Period
    unsure : bool, only hits whose role is uncertain and was not set by the user
    misnamed : bool, only hits whose name contradicts their sound, see `Roles.doubts`
    where : str, an SQL expression, see `catalog.search.conditions.where`
    like, copies_of : int or None, only hits that sound like a hit, or its copies
    states : tuple of str
    each_microphone : bool, each microphone of a stroke is a hit
    sort : tuple of str, words of columns, "-" before one for the largest first
    limit : int or None, how many hits at most
    """

    ids: tuple[int, ...] | None = None
    words: str = ""
    names: tuple[str, ...] = ()
    roles: tuple[str, ...] = ()
    sessions: tuple[str, ...] = ()
    drums: tuple[str, ...] = ()
    microphones: tuple[str, ...] = ()
    dampings: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    events: tuple[str, ...] = ()
    numbers: tuple[tuple[Column, Range], ...] = ()
    dates: tuple[tuple[Column, Period], ...] = ()
    unsure: bool = False
    misnamed: bool = False
    where: str = ""
    like: int | None = None
    copies_of: int | None = None
    states: tuple[str, ...] = (State.HERE,)
    each_microphone: bool = False
    sort: tuple[str, ...] = ()
    limit: int | None = field(default=None)

    @property
    def is_empty(self) -> bool:
        """Whether there is no condition: all hits that are present are meant."""
        return replace(self, sort=(), limit=None, each_microphone=False) == Query()


def make_query(**conditions: Any) -> Query:
    """Make a query of conditions by the words that name them.

    Parameters
    ----------
    ids : sequence of int, hits to choose from
    words : str
    name, role, session, drum, microphone, damping, mark, tag, fault, event : str or sequence of str
    length, brightness, loudness ... : str such as "0.5..2s", or pair of numbers with None for an
        open end; see `catalog.search.conditions.columns.NUMBER_WORDS`
    recorded, scanned : str such as "2026-11..", or pair of dates with None for an open end
    unsure, misnamed, each_microphone : bool
    where : str
    like, copies_of : int, a hit
    states : sequence of str
    sort : str or sequence of str
    limit : int

    Returns
    -------
    Query

    Raises
    ------
    ParameterError
        if a condition is unknown, or its value is not allowed
    """
    values: dict[str, Any] = {}
    numbers: list[tuple[Column, Range]] = []
    dates: list[tuple[Column, Period]] = []
    for word, value in conditions.items():
        if value is None or (word != "ids" and value in ((), [])):
            continue
        if word in LISTS:
            values[LISTS[word]] = _check_list(word, value)
        elif word in DATES:
            column = find_column(word, option=word)
            dates += [(column, parse_period(spec, column)) for spec in _ranges(value)]
        elif word in SINGLE:
            values[word] = _check_single(word, value)
        else:
            column = _number_column(word)
            numbers += [(column, parse_range(spec, column)) for spec in _ranges(value)]
    return Query(**values, numbers=tuple(numbers), dates=tuple(dates))


def merge(query: Query, other: Query) -> Query:
    """Return a query with the conditions of both; single values are those of `other`."""
    default, changes = Query(), {}
    for name in Query.__dataclass_fields__:
        mine, added = getattr(query, name), getattr(other, name)
        if added == getattr(default, name):
            continue
        if name == "words":
            added = f"{mine} {added}".strip()
        elif isinstance(added, tuple) and name not in ("ids", "states", "sort"):
            added = (*mine, *added)
        changes[name] = added
    return replace(query, **changes)


def _number_column(word: str) -> Column:
    try:
        column = find_column(word, option=word)
    except ParameterError:
        column = None
    if column is None or column.kind != "number" or column.word == "id":
        raise ParameterError(
            f"{word!r} is no condition; {suggest(word, CONDITIONS)}conditions are"
            f" {', '.join(CONDITIONS)}"
        )
    return column


def _ranges(value: RangeSpec | Sequence[str]) -> list[Any]:
    """Return one or several ranges: a list of texts holds several, any other value is one."""
    if isinstance(value, list) and all(isinstance(part, str) for part in value):
        return list(value)
    return [value]


def _check_list(word: str, value: str | Iterable[str]) -> tuple[str, ...]:
    texts = [value] if isinstance(value, str) or not isinstance(value, Iterable) else list(value)
    if any(not isinstance(text, str) for text in texts):
        raise ParameterError(f"{word}={value!r} must be text")
    if word in ("role", "mark", "fault", "damping", "event"):
        texts = [part.strip() for text in texts for part in text.split(",") if part.strip()]
    if word == "role":
        return find_roles(texts)
    allowed: Mapping[str, tuple[str, ...]] = {
        "mark": (*(mark for mark in MARKS if mark), UNMARKED),
        "fault": (*FAULT_KINDS, ANY_FAULT),
        "damping": DAMPINGS,
        "event": tuple(EVENTS),
    }
    for text in texts if word in allowed else ():
        if text not in allowed[word]:
            near = suggest(text, allowed[word])
            raise ParameterError(
                f"no {word} is named {text!r}; {near}{word}s: {', '.join(allowed[word])}"
            )
    return tuple(texts)


def _check_single(word: str, value: Any) -> Any:
    if word == "ids":
        return tuple(map(int, value))
    if word == "states":
        return _check_states(value)
    if word == "sort":
        keys = value.split(",") if isinstance(value, str) else list(value)
        keys = [key.strip() for key in keys if key.strip()]
        for key in keys:
            find_column(key.lstrip("-"), option="sort")
        return tuple(keys)
    if word == "limit" and not 1 <= int(value) <= MAX_LIMIT:
        raise ParameterError(f"limit {value}: must be at least 1")
    if word in ("like", "copies_of", "limit"):
        return int(value)
    return bool(value) if word in ("unsure", "misnamed", "each_microphone") else str(value).strip()


def _check_states(value: str | Iterable[str]) -> tuple[str, ...]:
    states = (value,) if isinstance(value, str) else tuple(value)
    if unknown := set(states) - set(STATES):
        raise ParameterError(f"states holds {min(unknown)!r}; known are {', '.join(STATES)}")
    return states

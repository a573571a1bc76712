"""A query as one text, as in the field of the page: "role:snare length:0.5..2s tag:dry words"."""

from __future__ import annotations

import re
from typing import Any

from catalog.errors import ParameterError
from catalog.search.query import CONDITIONS, LISTS, Query, make_query

TERM = re.compile(
    r"""(?:(?P<word>[A-Za-z][A-Za-z0-9_-]*)(?P<sign>:|>=|<=|=|>|<))?(?:"(?P<quoted>[^"]*)"?|(?P<plain>\S+))"""
)
SHORT = {"mic": "microphone", "has": "fault", "copies-of": "copies_of", "state": "states"}
FLAGS = ("unsure", "misnamed")


def parse_query(text: str) -> Query:
    """Parse a query.

    Parameters
    ----------
    text : str
        words, "quoted words", and conditions such as `role:snare`, `session:"attic north"`,
        `length:0.5..2s` or `length>1s`; `unsure:yes`, `misnamed:yes`

    Returns
    -------
    Query

    Raises
    ------
    ParameterError
        if a condition is unknown or has a value that is not allowed
    """
    words: list[str] = []
    conditions: dict[str, Any] = {}
    for term in TERM.finditer(text):
        value = term["quoted"] if term["quoted"] is not None else term["plain"]
        if term["word"] is None:
            words.append(value)
            continue
        word = SHORT.get(term["word"].casefold(), term["word"].casefold().replace("-", "_"))
        if term["sign"] in ("<", ">", "<=", ">="):
            value = term["sign"][0] + value
        _add(conditions, word, value)
    return make_query(words=" ".join(words), **conditions)


def _add(conditions: dict[str, Any], word: str, value: str) -> None:
    if word in FLAGS:
        conditions[word] = value.casefold() not in ("no", "0", "false")
    elif word in ("like", "copies_of", "limit"):
        if not value.isdecimal():
            raise ParameterError(f"{word}:{value} must be a number")
        conditions[word] = int(value)
    elif word in LISTS or word not in CONDITIONS or word in ("states",):
        conditions.setdefault(word, []).append(value)
    elif word == "sort" or word == "where" or word == "words":
        conditions[word] = value
    else:
        conditions.setdefault(word, []).append(value)

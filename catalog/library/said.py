"""What the user says of hits beside their role: a mark, and words to find them by."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

from catalog.errors import ParameterError
from catalog.library.records import MARKS
from catalog.library.schema import Database

MAX_TAG = 60  # characters; a tag is a word or two, not a note


def mark_hits(store: Database, hit_ids: Sequence[int], mark: str) -> None:
    """Say what the user thinks of hits.

    Parameters
    ----------
    store : Database
    hit_ids : sequence of int; those that are not in the store are passed over
    mark : str, one of `MARKS`; "" takes a mark back

    Raises
    ------
    ParameterError
        if the mark is unknown
    """
    if mark not in MARKS:
        known = ", ".join(word for word in MARKS if word)
        raise ParameterError(f"mark={mark!r} is unknown; marks are {known}, or nothing")
    with store.writing() as db:
        rows = [(mark, int(hit_id)) for hit_id in hit_ids]
        db.executemany("UPDATE hit SET mark = ? WHERE id = ?", rows)


def tag_hits(
    store: Database, hit_ids: Sequence[int], *, add: Iterable[str] = (), drop: Iterable[str] = ()
) -> None:
    """Give hits words to find them by, or take words away.

    Parameters
    ----------
    store : Database
    hit_ids : sequence of int; those that are not in the store are passed over
    add, drop : iterables of str, at most 60 characters each; white space around them is left out

    Raises
    ------
    ParameterError
        if a word is empty or too long
    """
    more, less = _clean(add), _clean(drop)
    with store.writing() as db:
        for hit_id in hit_ids:
            found = db.execute("SELECT tags FROM hit WHERE id = ?", (int(hit_id),)).fetchone()
            if found:
                tags = sorted((set(json.loads(found[0])) | more) - less)
                row = (json.dumps(tags), int(hit_id))
                db.execute("UPDATE hit SET tags = ? WHERE id = ?", row)


def _clean(words: Iterable[str]) -> set[str]:
    clean = {" ".join(word.split()) for word in words}
    for word in clean:
        if not 0 < len(word) <= MAX_TAG:
            raise ParameterError(f"tag {word!r} must have 1 to {MAX_TAG} characters")
    return clean

"""What the user says of hits beside their role: a mark, and words to find them by."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import NamedTuple

from catalog.errors import ParameterError
from catalog.library.store.database import Database, now_utc
from catalog.models import MARKS, Hit

CHUNK = 500  # ids per query; SQLite allows 999 values in its older versions


MAX_TAG = 60  # characters; a tag is a word or two


MAX_REMARK = 2000  # characters; a page of text


class Said(NamedTuple):
    """All that is said of one hit, by the user or as a guess; enough to say it again."""

    hit_id: int
    mark: str
    tags: str
    remark: str
    role: str
    role_confidence: float
    role_source: str


def read_said(store: Database, hit_ids: Sequence[int] | None = None) -> dict[int, Said]:
    """Give what is said of hits, or of every one, by id; `tags` is the JSON text as it is stored.

    Parameters
    ----------
    store : Database
    hit_ids : sequence of int, optional; those that are not in the store are passed over
    """
    sql = "SELECT id, mark, tags, remark, role, role_confidence, role_source FROM hit"
    if hit_ids is None:
        return {row[0]: Said(*row) for row in store.read(sql)}
    found: dict[int, Said] = {}
    for at in range(0, len(hit_ids), CHUNK):
        some = [int(hit_id) for hit_id in hit_ids[at : at + CHUNK]]
        marks = ", ".join("?" * len(some))
        rows = store.read(f"{sql} WHERE id IN ({marks})", some)
        found.update((row[0], Said(*row)) for row in rows)
    return found


def restore_said(store: Database, before: Iterable[Said]) -> None:
    """Say again of hits what was said before; those that are not in the store are passed over."""
    rows = [(*said[1:], said.hit_id) for said in before]
    with store.writing() as db:
        db.executemany(
            "UPDATE hit SET mark = ?, tags = ?, remark = ?,"
            " role = ?, role_confidence = ?, role_source = ? WHERE id = ?",
            rows,
        )


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


def remark_hits(store: Database, hit_ids: Sequence[int], remark: str) -> None:
    """Write the user's free text to hits; "" takes it away.

    Raises
    ------
    ParameterError
        if it is longer than 2,000 characters
    """
    if len(remark) > MAX_REMARK:
        raise ParameterError(f"a remark has at most {MAX_REMARK:,} characters; got {len(remark):,}")
    with store.writing() as db:
        rows = [(remark.strip(), int(hit_id)) for hit_id in hit_ids]
        db.executemany("UPDATE hit SET remark = ? WHERE id = ?", rows)


def _clean(words: Iterable[str]) -> set[str]:
    clean = {" ".join(word.split()) for word in words}
    for word in clean:
        if not 0 < len(word) <= MAX_TAG:
            raise ParameterError(f"tag {word!r} must have 1 to {MAX_TAG} characters")
    return clean


PREFERRED = "kept"  # the setting that holds what the user wants to stay


MAX_PREFERRED = 10_000


Verdicts = Mapping[tuple[str, str], bool]


def region_key(hit: Hit) -> str:
    """Name the sound of a hit by what its file holds and where in it the hit lies."""
    return f"{hit.content_hash}:{hit.start}:{hit.stop}"


def pair_key(first: Hit, second: Hit) -> tuple[str, str]:
    """Name a pair; the order of the two does not matter."""
    a, b = sorted((region_key(first), region_key(second)))
    return a, b


def say_same(store: Database, first: Hit, second: Hit, same: bool | None) -> None:
    """Remember what the user heard.

    Parameters
    ----------
    store : Database
    first, second : Hit
    same : bool or None
        whether they are one recording; None takes back what was said
    """
    key = pair_key(first, second)
    with store.writing() as db:
        if same is None:
            db.execute("DELETE FROM verdict WHERE first = ? AND second = ?", key)
        else:
            row = (*key, int(same), now_utc())
            db.execute("INSERT OR REPLACE INTO verdict VALUES (?, ?, ?, ?)", row)


def read_verdicts(store: Database) -> Verdicts:
    """Give everything that was said of pairs: names of the pair to whether they are one."""
    rows = store.read("SELECT first, second, same FROM verdict")
    return {(a, b): bool(same) for a, b, same in rows}


def prefer_hit(store: Database, hit_id: int, *, over: Collection[int]) -> None:
    """Remember which of several copies is to stay; the last word counts."""
    with store.writing():
        kept = [i for i in preferred_hits(store) if i not in over and i != hit_id]
        store.set_setting(PREFERRED, [*kept, hit_id][-MAX_PREFERRED:])


def preferred_hits(store: Database) -> list[int]:
    """Give the ids of the hits that the user wants to stay."""
    return list(store.setting(PREFERRED, []))

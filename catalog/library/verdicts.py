"""What the user said by ear: whether two hits are one recording, and which file is to stay.

What is said of pairs is kept by content, so that it holds when files move or come back as new hits.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from catalog.library.records import Hit
from catalog.library.schema import Database, now_utc

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

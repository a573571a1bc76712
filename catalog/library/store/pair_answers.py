"""The user's answers about pairs of hits: one recording or two, and which copy to prefer."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from catalog.library.store.database import Database, now_utc
from catalog.models import Hit

PREFERRED = "kept"  # setting: ids of the hits that the user prefers over their copies
MAX_PREFERRED = 10_000  # the oldest are dropped beyond it

AnswerByPair = Mapping[tuple[str, str], bool]
"""Key of a pair, see `pair_key`, to whether it is one recording."""


def region_key(hit: Hit) -> str:
    """Return the content hash of a hit's file with the region of the hit."""
    return f"{hit.content_hash}:{hit.start}:{hit.stop}"


def pair_key(first: Hit, second: Hit) -> tuple[str, str]:
    """Return the key of a pair; the order of the two does not matter."""
    a, b = sorted((region_key(first), region_key(second)))
    return a, b


class PairAnswers:
    """Answers by what the files hold, so that they last when files move or are scanned again."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def save(self, first: Hit, second: Hit, is_same: bool | None) -> None:
        """Store whether two hits are one recording; None deletes the answer."""
        key = pair_key(first, second)
        with self._database.writing() as db:
            if is_same is None:
                db.execute("DELETE FROM verdict WHERE first = ? AND second = ?", key)
            else:
                row = (*key, int(is_same), now_utc())
                db.execute("INSERT OR REPLACE INTO verdict VALUES (?, ?, ?, ?)", row)

    def read(self) -> AnswerByPair:
        """Return all answers."""
        rows = self._database.read("SELECT first, second, same FROM verdict")
        return {(first, second): bool(is_same) for first, second, is_same in rows}

    def prefer(self, hit_id: int, *, over: Collection[int]) -> None:
        """Store which of several copies to keep; it replaces an earlier choice among them."""
        with self._database.writing():
            others = [i for i in self.read_preferred() if i not in over and i != hit_id]
            self._database.save_setting(PREFERRED, [*others, hit_id][-MAX_PREFERRED:])

    def read_preferred(self) -> list[int]:
        """Return the ids of the hits that the user prefers over their copies."""
        return list(self._database.read_setting(PREFERRED, []))

"""The user's annotations: marks, tags and remarks of hits, and answers about pairs of copies."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import NamedTuple

from catalog.errors import ParameterError
from catalog.library.integrity.damaged_words import WordsCheck
from catalog.library.store.acts.summaries import describe_hits, describe_tags
from catalog.library.store.database import Database, now_utc
from catalog.models import MARKS, Hit

MAX_TAG = 60  # characters; a tag is a word or two
MAX_REMARK = 2000  # characters; a page of text
PREFERRED = "kept"  # setting: ids of the hits that the user prefers over their copies
MAX_PREFERRED = 10_000  # ids; when there are more, the oldest are dropped

AnswerByPair = Mapping[tuple[str, str], bool]
"""Whether each pair is one recording, by the key that `pair_key` returns."""


class Annotation(NamedTuple):
    """All annotations of one hit as they are stored; `tags` is JSON text."""

    hit_id: int
    mark: str
    tags: str
    remark: str
    role: str
    role_confidence: float
    role_source: str


class Annotations:
    """Annotations by hit id; ids that are not in the store are ignored."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def read(self, hit_ids: Sequence[int] | None = None) -> dict[int, Annotation]:
        """Return the annotations of the given hits, or of all hits."""
        sql = "SELECT id, mark, tags, remark, role, role_confidence, role_source FROM hit"
        if hit_ids is None:
            rows = self._database.read(sql)
        else:
            rows = self._database.read_by_id(f"{sql} WHERE id IN", list(map(int, hit_ids)))
        return {row[0]: Annotation(*row) for row in rows}

    def set_mark(self, hit_ids: Sequence[int], mark: str) -> None:
        """Mark hits; "" removes a mark.

        Raise `ParameterError` if the mark is not one of `MARKS`.
        """
        if mark not in MARKS:
            known = ", ".join(word for word in MARKS if word)
            raise ParameterError(f"mark={mark!r} is unknown; marks are {known}, or '' for none")
        with self._act("mark", hit_ids, mark or "no mark"):
            self._set_column("mark", hit_ids, mark)

    def set_remark(self, hit_ids: Sequence[int], remark: str) -> None:
        """Write free text to hits; "" removes it.

        Raise `ParameterError` if it is longer than 2,000 characters.
        """
        if len(remark) > MAX_REMARK:
            text = f"a remark has at most {MAX_REMARK:,} characters; got {len(remark):,}"
            raise ParameterError(text)
        with self._act("remark", hit_ids, remark.strip() or "no remark"):
            self._set_column("remark", hit_ids, remark.strip())

    def _act(
        self, verb: str, hit_ids: Sequence[int], text: str
    ) -> contextlib.AbstractContextManager[None]:
        """Record what is written in a block as one act on hits."""
        text = text if len(text) <= MAX_TAG else f"{text[: MAX_TAG - 1]}…"
        summary = f"{describe_hits(self._database, hit_ids)}: {text}"
        return self._database.recording.act(verb, summary)

    def _set_column(self, column: str, hit_ids: Sequence[int], text: str) -> None:
        with self._database.writing() as db:
            rows = [(text, int(hit_id)) for hit_id in hit_ids]
            db.executemany(f"UPDATE hit SET {column} = ? WHERE id = ?", rows)

    def change_tags(
        self, hit_ids: Sequence[int], *, add: Iterable[str] = (), drop: Iterable[str] = ()
    ) -> None:
        """Add tags to hits, or remove them; white space around tags is dropped.

        Raise `ParameterError` if a tag is empty, longer than 60 characters, or not valid text.
        """
        added, dropped = _clean_tags(add), _clean_tags(drop)
        if not added and not dropped:
            return
        text = describe_tags(sorted(added), sorted(dropped))
        sql, ids = "SELECT tags, id FROM hit WHERE id IN", list(map(int, hit_ids))
        with self._act("tag", hit_ids, text), self._database.writing() as db:
            rows = self._database.read_by_id(sql, ids)
            changed = [
                (json.dumps(sorted((set(json.loads(tags)) | added) - dropped)), hit_id)
                for tags, hit_id in rows
            ]
            db.executemany("UPDATE hit SET tags = ? WHERE id = ?", changed)


def is_text(text: str) -> bool:
    """Return whether a string can be stored as UTF-8: it holds no half of a surrogate pair."""
    return not any("\ud800" <= char <= "\udfff" for char in text)


def _clean_tags(tags: Iterable[str]) -> set[str]:
    clean = {" ".join(tag.split()) for tag in tags}
    for tag in clean:
        if not 0 < len(tag) <= MAX_TAG:
            raise ParameterError(f"tag {tag!r} must have 1 to {MAX_TAG} characters")
        if not is_text(tag):
            raise ParameterError(f"tag {tag!r} is not valid text; type it again")
    return clean


def pair_key(first: Hit, second: Hit) -> tuple[str, str]:
    """Return a key of content and region of both hits, the same in either order."""
    a, b = sorted(f"{hit.content_hash}:{hit.span_text}" for hit in (first, second))
    return a, b


class PairAnswers:
    """Answers keyed by the content of files, so that they survive a move or another scan."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._check = WordsCheck(database)

    def save(self, first: Hit, second: Hit, is_same: bool | None) -> bool:
        """Store whether two hits are one recording; None deletes the answer.

        Return False if that was stored before.
        """
        key = pair_key(first, second)
        before = self.read().get(key)
        word = "no verdict" if is_same is None else "one recording" if is_same else "two recordings"
        summary = f"hits {first.id} and {second.id}: {word}"
        if before == is_same:
            return False
        with self._database.recording.act("verdict", summary), self._database.writing() as db:
            if is_same is None:
                db.execute("DELETE FROM verdict WHERE first = ? AND second = ?", key)
            else:
                row = (*key, int(is_same), now_utc())
                db.execute("INSERT OR REPLACE INTO verdict VALUES (?, ?, ?, ?)", row)
        return True

    def read(self) -> AnswerByPair:
        """Return all answers; raise `StoreError` if one of them is damaged."""
        self._check.require("verdict")
        rows = self._database.read("SELECT first, second, same FROM verdict")
        return {(first, second): bool(is_same) for first, second, is_same in rows}

    def prefer(self, hit_id: int, *, over: Collection[int]) -> None:
        """Store which of several copies to keep; it replaces an earlier choice among them."""
        summary = describe_hits(self._database, [hit_id])
        with self._database.recording.act("keep", summary), self._database.writing():
            others = [i for i in self.read_preferred() if i not in over and i != hit_id]
            self._database.save_setting(PREFERRED, [*others, hit_id][-MAX_PREFERRED:])

    def read_preferred(self) -> list[int]:
        """Return the ids of the hits that the user prefers over their copies."""
        return list(self._database.read_setting(PREFERRED, []))

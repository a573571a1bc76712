"""The user's annotations of hits: marks, tags, remarks, and roles as they were before a change."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from catalog.errors import ParameterError
from catalog.library.store.database import IDS_PER_QUERY, Database, placeholders
from catalog.models import MARKS

MAX_TAG = 60  # characters; a tag is a word or two
MAX_REMARK = 2000  # characters; a page of text


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
    """Annotations by hit id; ids that are not in the store are passed over."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def read(self, hit_ids: Sequence[int] | None = None) -> dict[int, Annotation]:
        """Return the annotations of some hits, or of all."""
        sql = "SELECT id, mark, tags, remark, role, role_confidence, role_source FROM hit"
        if hit_ids is None:
            return {row[0]: Annotation(*row) for row in self._database.read(sql)}
        found: dict[int, Annotation] = {}
        for at in range(0, len(hit_ids), IDS_PER_QUERY):
            batch = [int(hit_id) for hit_id in hit_ids[at : at + IDS_PER_QUERY]]
            rows = self._database.read(f"{sql} WHERE id IN ({placeholders(len(batch))})", batch)
            found.update((row[0], Annotation(*row)) for row in rows)
        return found

    def restore(self, annotations: Iterable[Annotation]) -> None:
        """Write annotations that `read` returned before."""
        rows = [(*annotation[1:], annotation.hit_id) for annotation in annotations]
        with self._database.writing() as db:
            db.executemany(
                "UPDATE hit SET mark = ?, tags = ?, remark = ?,"
                " role = ?, role_confidence = ?, role_source = ? WHERE id = ?",
                rows,
            )

    def set_mark(self, hit_ids: Sequence[int], mark: str) -> None:
        """Mark hits.

        Parameters
        ----------
        hit_ids : sequence of int
        mark : str, one of `MARKS`; "" removes a mark

        Raises
        ------
        ParameterError
            if the mark is unknown
        """
        if mark not in MARKS:
            known = ", ".join(word for word in MARKS if word)
            raise ParameterError(f"mark={mark!r} is unknown; marks are {known}, or nothing")
        self._set_column("mark", hit_ids, mark)

    def set_remark(self, hit_ids: Sequence[int], remark: str) -> None:
        """Write free text to hits; "" removes it.

        Raises
        ------
        ParameterError
            if it is longer than 2,000 characters
        """
        if len(remark) > MAX_REMARK:
            raise ParameterError(
                f"a remark has at most {MAX_REMARK:,} characters; got {len(remark):,}"
            )
        self._set_column("remark", hit_ids, remark.strip())

    def _set_column(self, column: str, hit_ids: Sequence[int], text: str) -> None:
        with self._database.writing() as db:
            rows = [(text, int(hit_id)) for hit_id in hit_ids]
            db.executemany(f"UPDATE hit SET {column} = ? WHERE id = ?", rows)

    def change_tags(
        self, hit_ids: Sequence[int], *, add: Iterable[str] = (), drop: Iterable[str] = ()
    ) -> None:
        """Add tags to hits, or remove them.

        Parameters
        ----------
        hit_ids : sequence of int
        add, drop : iterables of str, at most 60 characters each; white space around them is dropped

        Raises
        ------
        ParameterError
            if a tag is empty or too long
        """
        added, dropped = _clean_tags(add), _clean_tags(drop)
        with self._database.writing() as db:
            for hit_id in hit_ids:
                row = db.execute("SELECT tags FROM hit WHERE id = ?", (int(hit_id),)).fetchone()
                if row:
                    tags = sorted((set(json.loads(row[0])) | added) - dropped)
                    values = (json.dumps(tags), int(hit_id))
                    db.execute("UPDATE hit SET tags = ? WHERE id = ?", values)


def _clean_tags(tags: Iterable[str]) -> set[str]:
    clean = {" ".join(tag.split()) for tag in tags}
    for tag in clean:
        if not 0 < len(tag) <= MAX_TAG:
            raise ParameterError(f"tag {tag!r} must have 1 to {MAX_TAG} characters")
    return clean

"""Hits read before are given again, so that after a change only what changed is made anew."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from catalog.library.store.database import Database
from catalog.models import Hit

CHUNK = 500  # ids per query; SQLite allows 999 values in its older versions


MEASURED = "version || ' ' || mtime_ns || ' ' || size"  # changes whenever the numbers are measured


@contextmanager
def out_of_sight() -> Iterator[None]:
    """Stop the collector until the block ends; where it was stopped before, it stays so.

    It looks at objects again and again as their number grows: 3 of 57 ms of a scan of 10,000 files
    that are as they were, in a process that holds little else.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


class Rereader:
    """Remembers hits by what their rows held; the long text of their numbers is read only once."""

    def __init__(self, columns: str) -> None:
        self._columns = columns
        self._at = [name.strip() for name in columns.split(",")].index("descriptors")
        self._known: dict[int, tuple[int, Hit]] = {}
        self._lists: dict[tuple[Any, ...], tuple[int, list[Hit]]] = {}

    def read(
        self,
        store: Database,
        where: str,
        values: Sequence[Any],
        *,
        make: Callable[[Sequence[Any]], Hit],
    ) -> list[Hit]:
        """Read hits by id, in the order of their ids.

        Parameters
        ----------
        store : Database
        where : str, of the query
        values : sequence, for the marks in `where`
        make : callable, gives the hit of a whole row

        Returns
        -------
        list of Hit
            the same object as before where nothing about a hit changed; not to be altered
        """
        revision = store.revision()  # first: what is written meanwhile makes it old
        kept = self._lists.get((where, *values))
        if kept is None or kept[0] != revision:
            kept = revision, self._read_rows(store, where, values, make)
            self._lists[(where, *values)] = kept
        return kept[1]

    @out_of_sight()
    def _read_rows(
        self,
        store: Database,
        where: str,
        values: Sequence[Any],
        make: Callable[[Sequence[Any]], Hit],
    ) -> list[Hit]:
        columns = self._columns.replace("descriptors", MEASURED)
        rows = store.read(f"SELECT {columns} FROM hit WHERE {where} ORDER BY id", values)
        keys, known = [hash(row) for row in rows], self._known
        new = [r[0] for r, k in zip(rows, keys, strict=True) if known.get(r[0], (None,))[0] != k]
        numbers = self._numbers(store, new, where if len(new) == len(rows) else "", values)
        # No lock: two threads may both make a hit, and then one of two equal ones is kept.
        for row, key in zip(rows, keys, strict=True):
            if row[0] in numbers:
                whole = (*row[: self._at], numbers[row[0]], *row[self._at + 1 :])
                known[row[0]] = (key, make(whole))
        return [known[row[0]][1] for row in rows if row[0] in known]

    @staticmethod
    def _numbers(
        store: Database, ids: Sequence[int], where: str, values: Sequence[Any]
    ) -> dict[int, str]:
        """Read the long texts of some hits; of all that `where` gives if it is not ""."""
        if where:
            return dict(store.read(f"SELECT id, descriptors FROM hit WHERE {where}", values))
        found: dict[int, str] = {}
        for at in range(0, len(ids), CHUNK):
            some = ids[at : at + CHUNK]
            marks = ", ".join("?" * len(some))
            found.update(store.read(f"SELECT id, descriptors FROM hit WHERE id IN ({marks})", some))
        return found

"""The store: one SQLite file with all that is known about the hits, by kind of record."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from typing import Self

from catalog.library.store.annotations import Annotations
from catalog.library.store.database import Database
from catalog.library.store.files import Files
from catalog.library.store.group_cache import GroupCache
from catalog.library.store.history import History
from catalog.library.store.hits import Hits
from catalog.library.store.kits import Kits
from catalog.library.store.layouts import Layouts
from catalog.library.store.pair_answers import PairAnswers


class Store:
    """The records of one SQLite file; see `Store.open`.

    Attributes
    ----------
    database : Database
    hits : Hits
    files : Files, what a scan reads and writes
    annotations : Annotations, marks, tags and remarks
    pair_answers : PairAnswers, the user's answers about pairs of hits
    kits : Kits
    history : History
    layouts : Layouts, the map of all hits
    group_cache : GroupCache, the groups of copies found last
    """

    def __init__(self, database: Database) -> None:
        self.database = database
        self.history = History(database)
        self.hits = Hits(database, self.history)
        self.files = Files(database)
        self.annotations = Annotations(database)
        self.pair_answers = PairAnswers(database)
        self.kits = Kits(database)
        self.layouts = Layouts(database)
        self.group_cache = GroupCache(database)

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open or create a store; `open_store` also completes interrupted moves of files.

        Parameters
        ----------
        path : str or Path
            the SQLite file; its folder is made if needed

        Returns
        -------
        Store, also a context manager

        Raises
        ------
        StoreError
            if it cannot be opened, is something else, or was written by a newer version
        """
        return cls(Database.open(path))

    @property
    def path(self) -> Path:
        """The SQLite file."""
        return self.database.path

    @property
    def aside_folder(self) -> Path:
        """The folder beside the store that holds the files set aside."""
        return self.database.aside_folder

    def revision(self) -> int:
        """Return a number that grows with each change of hits, their roles or their states."""
        return self.database.revision()

    def writing(
        self, *, changes_hits: bool = True
    ) -> contextlib.AbstractContextManager[sqlite3.Connection]:
        """Hold the only right to write until the block ends; see `Database.writing`."""
        return self.database.writing(changes_hits=changes_hits)

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        self.database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

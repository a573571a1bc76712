"""The store: one SQLite file with all that is known about the hits, by kind of record."""

from __future__ import annotations

from pathlib import Path
from typing import Self

from catalog.library.store.acts.log import Acts
from catalog.library.store.database import Database
from catalog.library.store.records.annotations import Annotations, PairAnswers
from catalog.library.store.records.cache import GroupCache, Layouts, LearnedParts
from catalog.library.store.records.coordinates import Coordinates
from catalog.library.store.records.exports import Exports
from catalog.library.store.records.files import Files
from catalog.library.store.records.history import History
from catalog.library.store.records.hits import Hits
from catalog.library.store.records.kits import Kits


class Store:
    """The records of one SQLite file; see `Store.open`.

    Attributes
    ----------
    database : Database; its `revision`, `writing` and `close` can be called on the store
    path, aside_folder : Path, the SQLite file, and the folder of files set aside
    hits : Hits
    coordinates : Coordinates, of the hits in the search spaces
    files : Files, what a scan reads and writes
    annotations, pair_answers : Annotations and PairAnswers, of the user
    kits : Kits
    exports : Exports, the audio files of exported kits
    history : History
    acts : Acts, what the user did; `act` records what is written in a block as one of them
    layouts, group_cache : Layouts and GroupCache, results computed last
    learned : LearnedParts, what was learned from this library
    """

    def __init__(self, database: Database) -> None:
        self.database = database
        self.path, self.aside_folder = database.path, database.aside_folder
        self.revision, self.writing = database.revision, database.writing
        self.close = database.close
        self.act, self.acts = database.recording.act, Acts(database)
        self.history = History(database)
        self.hits = Hits(database, self.history)
        self.coordinates = Coordinates(database)
        self.files = Files(database)
        self.annotations = Annotations(database)
        self.pair_answers = PairAnswers(database)
        self.kits = Kits(database)
        self.exports = Exports(database)
        self.layouts = Layouts(database)
        self.group_cache = GroupCache(database)
        self.learned = LearnedParts(database)

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open or create a store and its folder; `open_store` also completes interrupted moves.

        Raise `StoreError` if it cannot be opened, is something else, or was written by a newer
        version.
        """
        return cls(Database.open(path))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

"""What there is: hits scanned and heard, and what the user said of them."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from catalog.audio.model import Audio
from catalog.checking import Checking
from catalog.errors import StoreError
from catalog.library.review.coverage import Coverage
from catalog.library.scan.folders import ScannedFolder
from catalog.library.store.annotations import Said
from catalog.library.store.hits import Store
from catalog.models import Hit, Progress, RoleSource, ScanReport, Skipped, State
from catalog.removing import Removing
from catalog.search.table import HitTable, read_table, roles_by_example
from catalog.taking import Taking

OnProgress = Callable[[Progress], None]


def default_store() -> Path:
    """Where the store lies unless told otherwise: in the user's data folder."""
    import platformdirs

    return Path(platformdirs.user_data_dir("catalog", appauthor=False)) / "catalog.sqlite"


class Holdings(Removing, Taking, Checking):
    """Drum hits and what is known of each; `Catalog` adds what is done with many."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._table: HitTable | None = None
        self._lock = threading.RLock()

    @classmethod
    def open(cls, store: str | Path | None = None) -> Self:
        """Open or make a store.

        Parameters
        ----------
        store : str or Path, optional
            the SQLite file; by default `default_store()`

        Returns
        -------
        Catalog, also a context manager

        Raises
        ------
        StoreError
            if the file is no store, or one of a newer version
        """
        return cls(Store.open(Path(store) if store is not None else default_store()))

    def close(self) -> None:
        """Close the store; the catalog cannot be used afterwards."""
        self._store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def store_path(self) -> Path:
        """The SQLite file."""
        return self._store.path

    def revision(self) -> int:
        """Grows with each change of hits, roles and states, by whatever process."""
        return self._store.revision()

    # What is there

    def scan(
        self,
        folders: Iterable[str | Path],
        *,
        n_jobs: int = -1,
        cluster: str = "",
        on_progress: OnProgress | None = None,
    ) -> ScanReport:
        """Bring the store up to date with everything below `folders`; no file is changed.

        Parameters
        ----------
        folders : iterable of str or Path
        n_jobs : int, worker processes; -1 for one a core
        cluster : str, address of a dask.distributed scheduler whose workers measure instead
        on_progress : callable, optional, told `Progress` records; may raise `Stopped`

        Returns
        -------
        ScanReport

        Raises
        ------
        ParameterError
            if a folder does not exist
        Stopped
            if `on_progress` raised it; a scan of the same folders goes on from there

        Examples
        --------
        >>> again = cat.scan(["recordings"])
        >>> len(again.unchanged), len(again.added), len(again.skipped)
        (287, 0, 6)
        """
        from catalog.library.scan.folders import begin_folders, finish_folders
        from catalog.library.scan.scanner import scan_folders
        from catalog.library.scan.walk import check_roots

        roots = check_roots(folders)
        begin_folders(self._store, roots)
        report = scan_folders(
            self._store, roots, n_jobs=n_jobs, cluster=cluster, on_progress=on_progress
        )
        finish_folders(self._store, roots)
        self._spread_examples()
        return report

    def folders(self) -> list[ScannedFolder]:
        """Folders that were scanned, the last first, and whether each scan came to its end."""
        from catalog.library.scan.folders import scanned_folders

        return scanned_folders(self._store)

    def role_chances(self, hit_ids: Sequence[int]) -> np.ndarray:
        """What the sound alone says of the roles: float32, shape (n, 20), in the order of `ROLES`.

        Raises
        ------
        StoreError
            if a hit is unknown
        """
        return self._store.role_probabilities(hit_ids)

    def hits(self, *, states: Sequence[str] = (State.HERE,)) -> list[Hit]:
        """All hits in any of `states` ("here", "missing", "aside", "hidden"), by id.

        Examples
        --------
        >>> snares = [hit for hit in cat.hits() if hit.role == "snare"]
        >>> len(snares), snares[0].name
        (71, 'SN brass ghost 1')
        """
        return self._store.hits(states=states)

    def hit(self, hit_id: int) -> Hit:
        """One hit, whatever its state; `StoreError` if there is none of that id."""
        return self._store.hit(hit_id)

    def hits_by_id(self, hit_ids: Iterable[int], *, known_only: bool = False) -> dict[int, Hit]:
        """Hits by id, with their strength as `heard` where their level does not tell it.

        Parameters
        ----------
        hit_ids : iterable of int
        known_only : bool, leave out ids that the store does not know

        Raises
        ------
        StoreError
            if a hit is unknown
        """
        found: dict[int, Hit] = {}
        for hit_id in hit_ids:
            with contextlib.suppress(*(StoreError,) if known_only else ()):
                found[hit_id] = self.hit(hit_id)
        heard = self.heard(found.values())
        return {hit_id: heard.get(hit_id, hit) for hit_id, hit in found.items()}

    def heard(self, some: Iterable[Hit]) -> dict[int, Hit]:
        """Strokes of these hits' drums whose level was normalised away, with their strength.

        Parameters
        ----------
        some : iterable of Hit

        Returns
        -------
        dict of id to Hit, see `catalog.search.strength.with_strengths`
        """
        from catalog.search.strength import with_strengths

        return with_strengths(
            some,
            self._current().hits,
            pictures=self._store.pictures,
            production=self._store.production,
        )

    def skipped(self) -> list[Skipped]:
        """Files that could not be used, each with its reason."""
        return self._store.skipped()

    def set_role(self, hit_id: int, role: str) -> None:
        """Say which part of the kit a hit plays; hits close to it whose role is a guess follow.

        Parameters
        ----------
        hit_id : int
        role : str, one of `catalog.ROLES`

        Raises
        ------
        ParameterError
            if the role is unknown
        StoreError
            if there is no such hit
        """
        self._store.set_role(hit_id, role)
        self._spread_examples()

    def mark(self, hit_ids: Sequence[int], mark: str) -> None:
        """Say what you think of hits: "keep", "reject", "star", or "" to take it back.

        Raises
        ------
        ParameterError
            if the mark is unknown
        """
        from catalog.library.store.annotations import mark_hits

        mark_hits(self._store, hit_ids, mark)

    def tag(
        self, hit_ids: Sequence[int], *, add: Iterable[str] = (), drop: Iterable[str] = ()
    ) -> None:
        """Give hits words to find them by, or take words away.

        Raises
        ------
        ParameterError
            if a word is empty or longer than 60 characters
        """
        from catalog.library.store.annotations import tag_hits

        tag_hits(self._store, hit_ids, add=add, drop=drop)

    def say(
        self,
        hit_ids: Sequence[int],
        *,
        mark: str | None = None,
        role: str | None = None,
        add: Iterable[str] = (),
        drop: Iterable[str] = (),
        remark: str | None = None,
    ) -> list[Said]:
        """Say several things of several hits at once; all is said, or nothing.

        Parameters
        ----------
        hit_ids : sequence of int
        mark, role : str, optional, see `mark` and `set_role`
        add, drop : iterables of str, see `tag`
        remark : str, optional, free text of at most 2,000 characters; "" takes it away

        Returns
        -------
        list of Said
            what was said before of every hit that changed, also of those whose role is guessed
            from these; `unsay` takes it

        Raises
        ------
        ParameterError
            if a mark, role, word or remark is not allowed
        StoreError
            if a hit is unknown
        """
        from catalog.library.store import annotations as said

        ids = list(dict.fromkeys(int(hit_id) for hit_id in hit_ids))
        whom = ids if role is None else None  # a role may change what is guessed of others
        before = said.read_said(self._store, whom)
        for hit_id in ids:
            if hit_id not in before:
                self.hit(hit_id)  # says what is wrong
        with self._store.writing():
            if mark is not None:
                said.mark_hits(self._store, ids, mark)
            said.tag_hits(self._store, ids, add=add, drop=drop)
            if remark is not None:
                said.remark_hits(self._store, ids, remark)
            for hit_id in ids if role is not None else ():
                self._store.set_role(hit_id, str(role))
        if role is not None:
            self._spread_examples()
        now = said.read_said(self._store, whom)
        return [old for hit_id, old in before.items() if now.get(hit_id, old) != old]

    def unsay(self, before: Iterable[Said]) -> list[Said]:
        """Say again what was said before, as `say` gave it.

        Returns
        -------
        list of Said, what this took back, so that it can be said once more
        """
        from catalog.library.store.annotations import read_said, restore_said

        before = list(before)
        now = read_said(self._store, [said.hit_id for said in before])
        restore_said(self._store, before)
        return [now[said.hit_id] for said in before if said.hit_id in now]

    def _spread_examples(self) -> None:
        """Judge guessed roles anew by the hits whose role the user said."""
        judged = roles_by_example(self._current())
        if judged:
            with self._store.writing():
                for hit_id, role, confidence, source in judged:
                    if self._store.hit(hit_id).role_source == RoleSource.USER:
                        continue  # said since the table was read
                    self._store.set_role(hit_id, role, confidence=confidence, source=source)

    # Sound

    def coverage(self) -> Coverage:
        """What has been recorded of each drum and what is missing; see `Coverage`.

        Examples
        --------
        >>> cat.coverage().holes[0].words
        'no middling strokes of the first kick (cardboard box, Kitchen at Fennimarsh 2023-02-19)'
        """
        from catalog.library.review.coverage import find_coverage

        hits = self.hits()
        heard = self.heard(hits)
        return find_coverage([heard.get(hit.id, hit) for hit in hits])

    def audio(self, hit_id: int) -> Audio:
        """Decode the stroke of one hit; `AudioError` if its file is gone or broken."""
        return self._read(self.hit(hit_id))

    def wav(self, hit_id: int) -> bytes:
        """One hit as a 16-bit WAV file for playing, scaled down if it goes beyond full scale."""
        from catalog.audio.encode import encode_playable

        return encode_playable(self.audio(hit_id))

    # Within

    def _read(self, hit: Hit) -> Audio:
        from catalog.library.files.overrides import decode_mixed_hit

        return decode_mixed_hit(self._store, hit)

    def _current(self) -> HitTable:
        """The table of the store as it is now; read again only after a change."""
        with self._lock:
            self._table = read_table(self._store, self._table)
            return self._table

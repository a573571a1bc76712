"""The class `Catalog`: the entry point of the Python interface."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import platformdirs

from catalog.audio.encode import encode_playable
from catalog.audio.model import Audio
from catalog.duplicates.groups import CopyGroup
from catalog.kit.export import ExportOptions
from catalog.kit.model import Kit
from catalog.library.files.journal import open_store
from catalog.library.scan.folders import ScannedFolder, record_folders, scanned_folders
from catalog.library.scan.scanner import scan_folders
from catalog.library.scan.walk import check_roots
from catalog.library.store.store import Store
from catalog.models import HistoryEvent, Hit, OnProgress, ScanReport, State
from catalog.search.constraints import ConstraintSpec
from catalog.search.matches import Match
from catalog.services.annotations import Annotations
from catalog.services.context import Context
from catalog.services.duplicates import Duplicates
from catalog.services.files import Files
from catalog.services.kit_sound import KitSound
from catalog.services.kits import Kits
from catalog.services.map import Map
from catalog.services.review import Review
from catalog.services.search import Search
from catalog.services.takes import Takes


def default_store() -> Path:
    """Return the path of the default store, in the user's data folder."""
    return Path(platformdirs.user_data_dir("catalog", appauthor=False)) / "catalog.sqlite"


class Catalog:
    """A library of drum hits, with everything that can be done with it.

    Daily work uses the methods of this class; its collaborators offer everything else.

    Attributes
    ----------
    context : Context, the open store, its current table of hits, and decoding
    annotations : Annotations, roles, marks, tags and remarks
    duplicates : Duplicates, copies and other relations between hits
    files : Files, set aside, hide, restore, undo
    kits : Kits, fill, change, save and export kits
    kit_sound : KitSound, levels, tuning, masking and phrases of a kit
    map : Map, the two-dimensional map
    review : Review, faults, coverage, skipped files
    search : Search, alternates and similar hits
    takes : Takes, regions, microphones, stereo pairs and sessions

    Examples
    --------
    `cat` is a catalog of the demo library in all examples of this package.

    >>> with Catalog.open("drums.sqlite") as cat:
    ...     report = cat.scan(["recordings"])
    ...     snare = next(hit for hit in cat.hits() if hit.role == "snare")
    ...     for match in cat.alternates(snare.id, n=1):
    ...         print(match.hit.name)
    SN brass ghost 2
    """

    def __init__(self, store: Store) -> None:
        self.context = context = Context(store)
        self.annotations = Annotations(context)
        self.duplicates = Duplicates(context)
        self.files = Files(context)
        self.kits = Kits(context, self.duplicates)
        self.kit_sound = KitSound(context, self.kits)
        self.map = Map(context, self.duplicates)
        self.review = Review(context)
        self.search = Search(context)
        self.takes = Takes(context)

    @classmethod
    def open(cls, store: str | Path | None = None) -> Self:
        """Open or create a store.

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
            if the file is not a store, or was written by a newer version
        """
        return cls(open_store(store if store is not None else default_store()))

    def close(self) -> None:
        """Close the store; the catalog cannot be used afterwards."""
        self.context.store.close()

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
        return self.context.store.path

    def revision(self) -> int:
        """Return a number that grows with each change of hits, roles and states."""
        return self.context.store.revision()

    # Scan and list

    def scan(
        self,
        folders: Iterable[str | Path],
        *,
        n_jobs: int = -1,
        cluster: str = "",
        on_progress: OnProgress | None = None,
    ) -> ScanReport:
        """Measure all new and changed recordings below `folders`; no recording is changed.

        Parameters
        ----------
        folders : iterable of str or Path
        n_jobs : int, worker processes; -1 for one per core
        cluster : str, address of a dask.distributed scheduler whose workers measure the files
        on_progress : callable, optional, called with `Progress` records; may raise `Stopped`

        Returns
        -------
        ScanReport

        Raises
        ------
        ParameterError
            if a folder does not exist
        Stopped
            if `on_progress` raised it; a scan of the same folders continues from there

        Examples
        --------
        >>> again = cat.scan(["recordings"])
        >>> len(again.unchanged), len(again.added), len(again.skipped)
        (287, 0, 6)
        """
        store, roots = self.context.store, check_roots(folders)
        record_folders(store, roots, finished=False)
        report = scan_folders(store, roots, n_jobs=n_jobs, cluster=cluster, on_progress=on_progress)
        record_folders(store, roots, finished=True)
        self.annotations.propagate_roles()
        return report

    def folders(self) -> list[ScannedFolder]:
        """Return the scanned folders, the newest first, and whether each scan was completed."""
        return scanned_folders(self.context.store)

    def hits(self, *, states: Sequence[str] = (State.HERE,)) -> list[Hit]:
        """Return all hits in any of `states` ("here", "missing", "aside", "hidden"), by id.

        Examples
        --------
        >>> snares = [hit for hit in cat.hits() if hit.role == "snare"]
        >>> len(snares), snares[0].name
        (71, 'SN brass ghost 1')
        """
        return self.context.hits(states)

    def hit(self, hit_id: int) -> Hit:
        """Return one hit in any state; raise `StoreError` if the id is unknown."""
        return self.context.hit(hit_id)

    def hits_by_id(self, hit_ids: Iterable[int], *, skip_unknown: bool = False) -> dict[int, Hit]:
        """Return hits by id with their estimated strength; see `Context.hits_by_id`."""
        return self.context.hits_by_id(hit_ids, skip_unknown=skip_unknown)

    def audio(self, hit_id: int) -> Audio:
        """Decode the stroke of one hit; raise `AudioError` if its file is missing or damaged."""
        return self.context.read(self.hit(hit_id))

    def wav(self, hit_id: int) -> bytes:
        """Return one hit as a 16-bit WAV file for playing, scaled down if it exceeds full scale."""
        return encode_playable(self.audio(hit_id))

    # Daily work, documented where it is implemented

    def alternates(self, hit_id: int, n: int | None = None) -> list[Match]:
        """Return other strokes of the same drum; see `Search.alternates`."""
        return self.search.alternates(hit_id, n)

    def similar(
        self,
        hit: int | str | Path,
        n: int | None = None,
        role: str | None = None,
        elsewhere: bool = False,
        *,
        but: ConstraintSpec | None = None,
    ) -> list[Match]:
        """Return hits that sound alike; see `Search.similar`."""
        return self.search.similar(hit, n, role, elsewhere, but=but)

    def reasons(self, hit: int | str | Path, other_id: int) -> tuple[str, ...]:
        """Return how another hit differs; see `Search.reasons`."""
        return self.search.reasons(hit, other_id)

    def copies(self, on_progress: OnProgress | None = None) -> list[CopyGroup]:
        """Return groups of hits that are the same recording; see `Duplicates.groups`."""
        return self.duplicates.groups(on_progress)

    def set_role(self, hit_id: int, role: str) -> None:
        """Set the role of a hit; see `Annotations.set_role`."""
        self.annotations.set_role(hit_id, role)

    def set_aside(
        self, hit_ids: Sequence[int], *, reason: str, even_in_kits: bool = False
    ) -> list[HistoryEvent]:
        """Move the files of hits to a folder beside the store; see `Files.set_aside`."""
        return self.files.set_aside(hit_ids, reason=reason, even_in_kits=even_in_kits)

    def restore(self, hit_ids: Sequence[int]) -> list[HistoryEvent]:
        """Move files that were set aside back; see `Files.restore`."""
        return self.files.restore(hit_ids)

    def history(self) -> list[HistoryEvent]:
        """Return all recorded actions on hits; see `Files.history`."""
        return self.files.history()

    def fill_kit(
        self, locked: Mapping[str, int], slots: Sequence[str] | None = None, *, seed: int = 0
    ) -> Kit:
        """Choose hits for the free slots of a kit; see `Kits.fill`."""
        return self.kits.fill(locked, slots, seed=seed)

    def export_kit(
        self, kit: Kit, folder: str | Path, options: ExportOptions | None = None
    ) -> list[Path]:
        """Write a kit into a new folder; see `Kits.export`."""
        return self.kits.export(kit, folder, options)

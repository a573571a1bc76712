"""The class `Catalog`: the entry point of the Python interface."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import platformdirs

from catalog import services
from catalog.audio.encode import encode_playable
from catalog.context import Context
from catalog.duplicates.pairs.kept import read_kept
from catalog.library.files.journal import open_store
from catalog.models import Hit, State
from catalog.reports import HistoryEvent, OnProgress, ScanReport
from catalog.search.conditions.text import parse_query
from catalog.search.query import Query, make_query, merge

if TYPE_CHECKING:
    from catalog.audio.model import Audio
    from catalog.duplicates.groups import CopyGroup
    from catalog.kit.export import ExportOptions
    from catalog.kit.model import Kit
    from catalog.library.scan.folders import ScannedFolder
    from catalog.library.store.store import Store
    from catalog.library.undo.undo import UndoResult
    from catalog.search.constraints import ConstraintSpec
    from catalog.search.matches import Match
    from catalog.search.roles.answers import RoleAnswer


def default_store() -> Path:
    """Return the path of the default store, in the user's data folder."""
    return Path(platformdirs.user_data_dir("catalog", appauthor=False)) / "catalog.sqlite"


class Catalog:
    """A library of drum hits, with everything that can be done with it.

    Daily work uses the methods of this class; its collaborators offer everything else. Each of them
    is imported on first use.

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
        self.context = Context(store)

    @cached_property
    def annotations(self) -> services.annotations.Annotations:
        """Roles, marks, tags and remarks."""
        return services.annotations.Annotations(self.context)

    @cached_property
    def duplicates(self) -> services.duplicates.Duplicates:
        """Copies and other relations between hits."""
        return services.duplicates.Duplicates(self.context)

    @cached_property
    def drums(self) -> services.drums.drums.Drums:
        """Groups of hits that look like strokes of one drum."""
        return services.drums.drums.Drums(self.context, self._read_kept)

    @cached_property
    def files(self) -> services.files.Files:
        """Set aside, hide, restore, undo."""
        return services.files.Files(self.context)

    @cached_property
    def kits(self) -> services.kit.kits.Kits:
        """Fill, change, save and export kits."""
        return services.kit.kits.Kits(
            self.context,
            lambda ids, on_progress: self.duplicates.groups_of(ids, on_progress),
            lambda: self.duplicates.kept_of(),
        )

    @cached_property
    def kit_sound(self) -> services.kit.kit_sound.KitSound:
        """Levels, tuning, masking and phrases of a kit."""
        return services.kit.kit_sound.KitSound(self.context, self.kits)

    @cached_property
    def map(self) -> services.map.Map:
        """The two-dimensional map."""
        return services.map.Map(self.context, self.duplicates)

    @cached_property
    def review(self) -> services.review.Review:
        """Faults, coverage, skipped files."""
        return services.review.Review(self.context, self._read_kept)

    @cached_property
    def roles(self) -> services.roles.roles.Roles:
        """Roles that the library teaches: questions, doubted names, reasons."""
        return services.roles.roles.Roles(self.context)

    @cached_property
    def scans(self) -> services.scans.Scans:
        """Scan folders."""
        return services.scans.Scans(self.context, self.annotations)

    @cached_property
    def search(self) -> services.search.Search:
        """Alternates and similar hits."""
        return services.search.Search(
            self.context,
            lambda ids: self.duplicates.groups_of(ids),
            self._read_kept,
        )

    @cached_property
    def taste(self) -> services.kit.taste.Taste:
        """What was learned from the user's choices."""
        return services.kit.taste.Taste(self.context)

    @cached_property
    def takes(self) -> services.takes.Takes:
        """Regions, microphones, stereo pairs and sessions."""
        return services.takes.Takes(self.context)

    @classmethod
    def open(cls, store: str | Path | None = None, *, new_store: bool = False) -> Self:
        """Open or create a store.

        Parameters
        ----------
        store : str or Path, optional
            the SQLite file; by default `default_store()`
        new_store : bool
            allow a new or empty store beside files that were set aside; see `Files.recover`

        Returns
        -------
        Catalog, also a context manager

        Raises
        ------
        StoreError
            if the file is not a store, was written by a newer version, or holds no hits although
            files are set aside beside it
        """
        place = store if store is not None else default_store()
        return cls(open_store(place, new_store=new_store))

    def _read_kept(self) -> dict[int, int]:
        """Return the kept hit of each copy without comparing samples; see `read_kept`."""
        return read_kept(self.context.store, self.context.table().rows)

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
        exports: bool = False,
        again: bool = False,
        on_progress: OnProgress | None = None,
    ) -> ScanReport:
        """Measure all new and changed recordings below `folders`; see `Scans.run`."""
        return self.scans.run(
            folders,
            n_jobs=n_jobs,
            cluster=cluster,
            exports=exports,
            again=again,
            on_progress=on_progress,
        )

    def folders(self) -> list[ScannedFolder]:
        """Return the scanned folders; see `Scans.folders`."""
        return self.scans.folders()

    def hits(
        self,
        query: Query | str | None = None,
        *,
        states: Sequence[str] = (State.HERE,),
        microphones: bool = False,
        **conditions: Any,
    ) -> list[Hit]:
        """Return the hits that meet all conditions, by id or in the order of `sort`.

        Parameters
        ----------
        query : Query or str, optional
            such as "role:snare length:..2s", see `catalog.search.conditions.text.parse_query`
        states : sequence of str, "here", "missing", "aside" or "hidden"
        microphones : bool
            return each microphone of a stroke; otherwise a stroke is one hit, see `Hit.microphones`
        **conditions
            `role`, `session`, `tag`, `name`, `words`, `length`, `sort`, `limit` and the others of
            `catalog.search.query.make_query`, which also apply to `query`

        Returns
        -------
        list of Hit

        Raises
        ------
        ParameterError
            if a condition is unknown or its value is not allowed

        Examples
        --------
        >>> snares = cat.hits(role="snare")
        >>> len(snares), snares[0].name
        (53, 'SN brass ghost 1')
        >>> [hit.name for hit in cat.hits("ghost", length="..0.2s", sort="-length", limit=2)]
        ['SN brass ghost 2', 'SN brass ghost 1']
        """
        given = parse_query(query) if isinstance(query, str) else query or Query()
        added = make_query(states=states, each_microphone=microphones, **conditions)
        return self.search.find(merge(given, added))

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

    def alternates(
        self, hit_id: int, n: int | None = None, *, no_good: bool = False
    ) -> list[Match]:
        """Return other strokes of the same drum; see `Search.alternates`."""
        return self.search.alternates(hit_id, n, no_good=no_good)

    def similar(
        self,
        hit: int | str | Path,
        n: int | None = None,
        role: str | None = None,
        elsewhere: bool | str = False,
        *,
        but: ConstraintSpec | None = None,
        no_good: bool = False,
        plain: bool = False,
    ) -> list[Match]:
        """Return hits that sound alike; see `Search.similar`."""
        return self.search.similar(hit, n, role, elsewhere, but=but, no_good=no_good, plain=plain)

    def reasons(self, hit: int | str | Path, other_id: int) -> tuple[str, ...]:
        """Return how another hit differs; see `Search.reasons`."""
        return self.search.reasons(hit, other_id)

    def copies(
        self, on_progress: OnProgress | None = None, *, cluster: str = ""
    ) -> list[CopyGroup]:
        """Return groups of hits that are the same recording; see `Duplicates.groups`."""
        return self.duplicates.groups(on_progress, cluster=cluster)

    def set_role(self, hit_id: int | Sequence[int], role: str) -> RoleAnswer:
        """Set the role of hits; see `Annotations.set_role`."""
        return self.annotations.set_role(hit_id, role)

    def set_aside(
        self, hit_ids: Sequence[int], *, reason: str, even_in_kits: bool = False
    ) -> list[HistoryEvent]:
        """Move the files of hits to a folder beside the store; see `Files.set_aside`."""
        return self.files.set_aside(hit_ids, reason=reason, even_in_kits=even_in_kits)

    def restore(self, hit_ids: Sequence[int]) -> list[HistoryEvent]:
        """Move files that were set aside back; see `Files.restore`."""
        return self.files.restore(hit_ids)

    def undo(self) -> UndoResult:
        """Undo the last act, whatever it was; see `Files.undo`."""
        return self.files.undo()

    def redo(self) -> UndoResult:
        """Do the act again that was undone last; see `Files.redo`."""
        return self.files.redo()

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

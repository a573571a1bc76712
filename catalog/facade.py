"""The whole tool as one object: `Catalog` ties the floors together."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from catalog.errors import CatalogError, ParameterError
from catalog.kit.assemble import Kit, Pool
from catalog.library.records import ROLES, HistoryEvent, Hit, Progress, ScanReport, Skipped
from catalog.library.store import Store
from catalog.search.duplicates import CopyGroup
from catalog.search.map2d import Layout
from catalog.search.metric import Spaces
from catalog.search.neighbors import Match
from catalog.sound.compare import Prepared
from catalog.sound.decode import Audio

OnProgress = Callable[[Progress], None]
EXAMPLE_RADIUS = 1.2  # in the stroke space: nine of ten nearest strokes of one drum lie within 1.04


def default_store() -> Path:
    """Where the store lies unless told otherwise: in the user's data folder."""
    import platformdirs

    return Path(platformdirs.user_data_dir("catalog", appauthor=False)) / "catalog.sqlite"


@dataclass(frozen=True, eq=False)
class _Table:
    """All hits of one revision of the store, and their points; row i is the same hit in both.

    `sound_key` is a digest of what sounds, so that a change of roles does not look like one.
    """

    revision: int
    sound_key: int
    hits: tuple[Hit, ...]
    rows: Mapping[int, int]
    spaces: Spaces


class Catalog:
    """Drum hits, what is known of them, and what can be done with them.

    Examples
    --------
    >>> with Catalog.open("drums.sqlite") as cat:
    ...     report = cat.scan(["recordings"])
    ...     snare = next(hit for hit in cat.hits() if hit.role == "snare")
    ...     for match in cat.alternates(snare.id, n=5):
    ...         print(cat.hit(match.hit_id).name, cat.reasons(snare.id, match.hit_id))
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._table: _Table | None = None
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
        on_progress: OnProgress | None = None,
    ) -> ScanReport:
        """Bring the store up to date with everything below `folders`; no file is changed.

        Parameters
        ----------
        folders : iterable of str or Path
        n_jobs : int, worker processes; -1 for one a core
        on_progress : callable, optional, told `Progress` records

        Returns
        -------
        ScanReport

        Raises
        ------
        ParameterError
            if a folder does not exist
        """
        from catalog.library.scan import scan_folders

        report = scan_folders(
            self._store, [Path(f) for f in folders], n_jobs=n_jobs, on_progress=on_progress
        )
        self._spread_examples()
        return report

    def hits(self, *, states: Sequence[str] = ("here",)) -> list[Hit]:
        """All hits in any of `states` ("here", "missing", "aside"), in the order of their ids."""
        return self._store.hits(states=states)

    def hit(self, hit_id: int) -> Hit:
        """One hit, whatever its state; `StoreError` if there is none of that id."""
        return self._store.hit(hit_id)

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
        """
        self._store.set_role(hit_id, role)
        self._spread_examples()

    def _spread_examples(self) -> None:
        """Judge guessed roles anew by the hits whose role the user said."""
        from catalog.search.neighbors import spread_roles

        table = self._current()
        sources = np.array([hit.role_source for hit in table.hits])
        said = np.flatnonzero(sources == "user")
        guessed = np.flatnonzero((sources == "sound") | (sources == "example"))
        if not len(guessed) or not (len(said) or (sources == "example").any()):
            return
        points = table.spaces.strokes
        example_roles = np.array([ROLES.index(table.hits[row].role) for row in said], int)
        roles, sure = spread_roles(
            points[guessed], points[said], example_roles, radius=EXAMPLE_RADIUS
        )
        by_sound = table.spaces.roles[guessed]
        with self._store.writing():
            for row, role, confidence, guess in zip(guessed, roles, sure, by_sound, strict=True):
                hit = table.hits[row]
                if role < 0:
                    new = (ROLES[int(guess.argmax())], float(guess.max()), "sound")
                else:
                    new = (ROLES[role], float(confidence), "example")
                if (hit.role, hit.role_source) != (new[0], new[2]):
                    self._store.set_role(hit.id, new[0], confidence=new[1], source=new[2])

    # Search

    def alternates(self, hit_id: int, n: int | None = None) -> list[Match]:
        """Hits most likely to be other strokes of the same drum, nearest first.

        Parameters
        ----------
        hit_id : int
        n : int, optional, how many; None for every other hit

        Returns
        -------
        list of Match

        Raises
        ------
        StoreError
            if there is no such hit
        ParameterError
            if `n` is below 1
        """
        from catalog.search.metric import stroke_distances
        from catalog.search.neighbors import rank_hits

        table, row = self._table_and_row(hit_id)
        allowed = np.ones(len(table.hits), bool)
        allowed[row] = False
        return rank_hits(
            table.spaces.hit_ids, stroke_distances(table.spaces, row), allowed=allowed, n=n
        )

    def similar(
        self, hit_id: int, n: int | None = None, role: str | None = None, elsewhere: bool = False
    ) -> list[Match]:
        """Hits that sound alike wherever they come from, nearest first.

        Parameters
        ----------
        hit_id : int
        n : int, optional, how many; None for every other hit
        role : str, optional, only hits of this role
        elsewhere : bool, only hits of other sessions

        Returns
        -------
        list of Match

        Raises
        ------
        StoreError
            if there is no such hit
        ParameterError
            if `n` is below 1 or the role is unknown
        """
        from catalog.search.metric import alike_distances
        from catalog.search.neighbors import rank_hits

        if role is not None and role not in ROLES:
            raise ParameterError(f"role={role!r} must be one of {', '.join(ROLES)}")
        table, row = self._table_and_row(hit_id)
        session = table.hits[row].session
        allowed = np.array(
            [
                (role is None or hit.role == role) and not (elsewhere and hit.session == session)
                for hit in table.hits
            ],
            bool,
        )
        allowed[row] = False
        return rank_hits(
            table.spaces.hit_ids, alike_distances(table.spaces, row), allowed=allowed, n=n
        )

    def reasons(self, hit_id: int, other_id: int) -> tuple[str, ...]:
        """In what the other hit differs, in the trade's units: "40 ms shorter", "300 Hz darker"."""
        from catalog.search.neighbors import explain_difference

        hit, other = self.hit(hit_id), self.hit(other_id)
        found = explain_difference(hit.descriptors, other.descriptors)
        if other.session and other.session != hit.session:
            found += (f"from {other.session}",)
        return found

    # Copies and setting aside

    def copies(self, on_progress: OnProgress | None = None) -> list[CopyGroup]:
        """Groups of hits that are the same recording, each with the one proposed to be kept.

        Found once for each state of the library and then remembered.

        Parameters
        ----------
        on_progress : callable, optional, told `Progress` records of step "comparing"

        Returns
        -------
        list of CopyGroup
        """
        from catalog.search.duplicates import group_copies, keep_reason

        table = self._current()
        saved = self._store.saved_copies()
        if saved is None or saved[1] != table.sound_key:
            tell = on_progress or (lambda _: None)
            groups = group_copies(
                table.hits,
                table.spaces,
                self._prepare,
                on_pair=lambda done, total: tell(Progress("comparing", done, total)),
            )
            rows = [
                (g.keep, tuple((o, "copy", e) for o, e in zip(g.others, g.evidence, strict=True)))
                for g in groups
            ]
            self._store.save_copies(rows, revision=table.sound_key)
            return groups
        found = []
        for keep, others in saved[0]:
            ids = tuple(other for other, _, _ in others)
            hits = [table.hits[table.rows[i]] for i in (keep, *ids)]
            reason = keep_reason(hits[0], hits[1:])
            found.append(CopyGroup(keep, ids, tuple(e for _, _, e in others), reason))
        return found

    def set_aside(self, hit_ids: Sequence[int], *, reason: str) -> list[HistoryEvent]:
        """Move the files of hits into the store's own folder; `restore` brings them back.

        Parameters
        ----------
        hit_ids : sequence of int
        reason : str, kept in the history

        Returns
        -------
        list of HistoryEvent, one a hit

        Raises
        ------
        StoreError
            if a hit is unknown, not there, or its file cannot be moved
        """
        from catalog.library.set_aside import set_aside_hits

        return set_aside_hits(self._store, hit_ids, reason=reason)

    def restore(self, hit_ids: Sequence[int]) -> list[HistoryEvent]:
        """Move files that were set aside back to where they were, byte for byte.

        Raises
        ------
        StoreError
            if a hit is not set aside, or another file has taken its name
        """
        from catalog.library.set_aside import restore_hits

        return restore_hits(self._store, hit_ids)

    def history(self) -> list[HistoryEvent]:
        """Everything that was done to hits, the newest last."""
        return self._store.history()

    # Map

    def lay_out(self, *, seed: int = 0, on_progress: OnProgress | None = None) -> Layout:
        """Compute a new map and keep it; copies lie on the hit that is kept.

        Parameters
        ----------
        seed : int
        on_progress : callable, optional, told `Progress` records of step "laying out"

        Returns
        -------
        Layout
        """
        from catalog.search.map2d import lay_out_umap

        groups = self.copies(on_progress)
        table = self._current()
        representative = np.arange(len(table.hits))
        for group in groups:
            for other in group.others:
                representative[table.rows[other]] = table.rows[group.keep]
        if on_progress is not None:
            on_progress(Progress("laying out", 0, 1))
        layout = lay_out_umap(table.spaces, representative, seed=seed)
        self._store.save_layout(layout.hit_ids, layout.xy, kind=layout.kind, seed=seed)
        if on_progress is not None:
            on_progress(Progress("laying out", 1, 1))
        return layout

    def layout(self) -> Layout:
        """A place for each hit that is here: the kept map, new hits placed beside their like."""
        from catalog.search.map2d import place_new

        return place_new(self._current().spaces, Layout(*self._store.layout()))

    # Kits

    def fill_kit(
        self, locked: Mapping[str, int], slots: Sequence[str] | None = None, *, seed: int = 0
    ) -> Kit:
        """Choose hits for free slots so that the whole sounds like one kit.

        Parameters
        ----------
        locked : mapping of slot to hit id, kept as they are
        slots : sequence of str, optional
            to be filled; by default those of a usual kit that the library can fill
        seed : int

        Returns
        -------
        Kit

        Raises
        ------
        KitError
            if a slot is unknown or no hit can fill it
        """
        from catalog.kit.assemble import fill_kit

        return fill_kit(self._pool(), locked, slots=slots, seed=seed)[0]

    def swap(self, kit: Kit, slot: str) -> Kit:
        """Take the next best hit for one slot and keep the others."""
        from catalog.kit.assemble import swap_slot

        return swap_slot(self._pool(), kit, slot)

    def add_layers(self, kit: Kit) -> Kit:
        """Give each slot the other strokes of its drum as layers and round robins; no copies."""
        from catalog.kit.layers import add_layers

        copies = {other for group in self.copies() for other in group.others}
        return add_layers(kit, self.hits(), leave_out=copies)

    def save_kit(self, kit: Kit, name: str) -> None:
        """Keep a kit in the store under a name."""
        named = replace(kit, name=name)
        self._store.save_kit(name, named.to_json())

    def kits(self) -> list[Kit]:
        """Kits kept in the store, the newest of each name."""
        return [Kit.from_json(payload) for _, payload, _ in self._store.kits()]

    def export_kit(self, kit: Kit, folder: str | Path, *, subtype: str = "PCM_24") -> list[Path]:
        """Write a kit as audio, SFZ, note map and manifest into a new folder.

        Parameters
        ----------
        kit : Kit
        folder : str or Path, must not exist yet
        subtype : str, of the WAV files, as libsndfile names it

        Returns
        -------
        list of Path, the files written

        Raises
        ------
        KitError
            if the folder exists or the kit cannot be written; nothing is left half done
        """
        from catalog.kit.export import export_kit

        wanted = {hit_id for ids in kit.slots.values() for hit_id in ids}
        hits = {hit_id: self.hit(hit_id) for hit_id in wanted}
        return export_kit(kit, hits, Path(folder), read=self._read, subtype=subtype)

    # Sound

    def audio(self, hit_id: int) -> Audio:
        """Decode the stroke of one hit; `AudioError` if its file is gone or broken."""
        return self._read(self.hit(hit_id))

    def wav(self, hit_id: int) -> bytes:
        """One hit as a 16-bit WAV file for playing, scaled down if it goes beyond full scale."""
        from catalog.sound.decode import encode_wav

        audio = self.audio(hit_id)
        peak = float(np.abs(audio.samples).max(initial=0.0))
        samples = audio.samples / peak if peak > 1.0 else audio.samples
        return encode_wav(samples[:, :2], sr=audio.sr, subtype="PCM_16")

    # Within

    def _read(self, hit: Hit) -> Audio:
        from catalog.sound.decode import decode_file

        return decode_file(hit.path, start=hit.start, stop=hit.stop)

    def _prepare(self, hit: Hit) -> Prepared | None:
        from catalog.sound.compare import prepare_hit

        try:
            return prepare_hit(self._read(hit))
        except CatalogError:
            return None  # gone or broken since the scan: the next scan will say so

    def _pool(self) -> Pool:
        table = self._current()
        return Pool(table.hits, self._store.production([hit.id for hit in table.hits]))

    def _table_and_row(self, hit_id: int) -> tuple[_Table, int]:
        table = self._current()
        if hit_id not in table.rows:
            hit = self.hit(hit_id)  # raises if there is none at all
            raise ParameterError(f"hit {hit_id} ({hit.name}) is {hit.state}: bring it back first")
        return table, table.rows[hit_id]

    def _current(self) -> _Table:
        """The table of the store as it is now; read again only after a change."""
        from catalog.search.metric import make_spaces

        with self._lock:
            revision = self._store.revision()
            if self._table is None or self._table.revision != revision:
                hits = tuple(self._store.hits(states=("here",)))
                key = _sound_key(hits)
                if self._table is not None and self._table.sound_key == key:
                    self._table = replace(self._table, revision=revision, hits=hits)
                    return self._table
                ids = np.array([hit.id for hit in hits], np.int64)
                spaces = make_spaces(
                    ids, self._store.pictures(ids), self._store.role_probabilities(ids)
                )
                rows = {hit.id: row for row, hit in enumerate(hits)}
                self._table = _Table(revision, key, hits, rows, spaces)
            return self._table


def _sound_key(hits: Iterable[Hit]) -> int:
    """Digest of which hits there are and of their content; 63 bits, as SQLite keeps integers."""
    digest = hashlib.sha256()
    for hit in hits:
        digest.update(f"{hit.id} {hit.content_hash} {hit.start} {hit.stop}\n".encode())
    return int.from_bytes(digest.digest()[:8], "big") >> 1

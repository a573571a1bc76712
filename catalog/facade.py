"""The whole tool as one object: `Catalog` ties the floors together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from catalog.copying import Copying
from catalog.errors import ParameterError
from catalog.handover import HandOver
from catalog.holdings import OnProgress, default_store
from catalog.kit.model import Kit
from catalog.models import Hit, Progress
from catalog.search.constraints import But
from catalog.search.layout import Layout
from catalog.search.matches import Match
from catalog.search.query import Query
from catalog.search.table import HitTable

__all__ = ["Catalog", "default_store"]


class Catalog(Copying, HandOver):
    """Drum hits, what is known of them, and what can be done with them.

    In the examples of the methods `cat` is a catalog of the demo library.

    Examples
    --------
    >>> with Catalog.open("drums.sqlite") as cat:
    ...     report = cat.scan(["recordings"])
    ...     snare = next(hit for hit in cat.hits() if hit.role == "snare")
    ...     for match in cat.alternates(snare.id, n=1):
    ...         print(cat.hit(match.hit_id).name)
    SN brass ghost 2
    """

    _asked: tuple[tuple[Path, int], Query] | None = None  # the last file searched from

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

        Examples
        --------
        >>> snare = next(hit for hit in cat.hits() if hit.name == "SN brass towel soft 2")
        >>> [cat.hit(match.hit_id).drum for match in cat.alternates(snare.id, 2)]
        ['SN brass towel', 'SN brass towel']
        """
        from catalog.search.query import find_alternates

        table = self._current()
        return find_alternates(table, self._row(table, hit_id), n=n)

    def similar(
        self,
        hit: int | str | Path,
        n: int | None = None,
        role: str | None = None,
        elsewhere: bool = False,
        *,
        but: But | None = None,
    ) -> list[Match]:
        """Hits that sound alike wherever they come from, nearest first.

        Parameters
        ----------
        hit : int, str or Path
            a hit's id, or a file that need not be in the catalog
        n : int, optional, how many; None for every other hit
        role : str, optional, only hits of this role
        elsewhere : bool, only hits of other sessions
        but : str, sequence of str or mapping, optional
            how the answers are to differ: "shorter", ["darker", "tighter"], or
            {"length_s": -0.1, "centroid_hz": "+20%"}; see `catalog.search.constraints`. Only hits
            that went that way are given, so that there may be fewer than `n`, or none

        Returns
        -------
        list of Match

        Raises
        ------
        StoreError
            if there is no such hit
        AudioError
            if the file cannot be read
        ParameterError
            if `n` is below 1, the role is unknown, or `but` is not understood

        Examples
        --------
        >>> snare = next(hit for hit in cat.hits() if hit.name == "SN brass towel soft 2")
        >>> {cat.hit(match.hit_id).session for match in cat.similar(snare.id, 3, elsewhere=True)}
        {'Vellanby boathouse'}
        """
        from catalog.search.query import find_similar

        table = self._current()
        query = self._query(hit, table)
        return find_similar(table, query, n=n, role=role, elsewhere=elsewhere, but=but)

    def outside(self, path: str | Path) -> Hit:
        """Measure a file that need not be in the catalog, such as a phone's recording.

        Returns
        -------
        Hit
            of id 0 and state "outside", its role guessed from sound; nothing is stored

        Raises
        ------
        AudioError
            if it cannot be read or holds no stroke
        """
        return self._query(Path(path), self._current()).hit

    def reasons(self, hit: int | str | Path, other_id: int) -> tuple[str, ...]:
        """In what another hit differs, in the trade's units: "40 ms shorter", "300 Hz darker".

        Parameters
        ----------
        hit : int, str or Path, a hit's id or a file
        other_id : int

        Returns
        -------
        tuple of str, the most audible first
        """
        from catalog.search.matches import describe_difference

        other = self.hit(other_id)
        if isinstance(hit, str | Path):
            return describe_difference(self._query(hit, self._current()).hit, other)
        return describe_difference(self.hit(hit), other)

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
        from catalog.search.layout import lay_out_umap

        table = self._current()
        groups = self._copies(table, on_progress)
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
        from catalog.search.layout import pick_places, place_new

        known, ids = Layout(*self._store.layout()), [hit.id for hit in self.hits()]
        places = pick_places(np.array(ids, np.int64), known)
        return place_new(self._current().spaces, known) if places is None else places

    def layout_stamp(self) -> int:
        """A number that changes when another map is kept."""
        return self._store.layout_stamp()

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

        Examples
        --------
        >>> snare = next(hit for hit in cat.hits() if hit.name == "SN brass towel hard 1")
        >>> kit = cat.fill_kit({"snare": snare.id}, ["kick", "hat_closed"])
        >>> sorted(kit.slots), kit.slots["snare"] == (snare.id,)
        (['hat_closed', 'kick', 'snare'], True)
        """
        return self.fill_kits(locked, slots, n=1, seed=seed)[0]

    def fill_kits(
        self,
        locked: Mapping[str, int],
        slots: Sequence[str] | None = None,
        *,
        n: int = 4,
        seed: int = 0,
    ) -> list[Kit]:
        """Choose the best few whole kits, each unlike those before it; see `fill_kit`.

        Parameters
        ----------
        n : int, how many at most

        Raises
        ------
        KitError
            if a slot is unknown or no hit can fill it
        ParameterError
            if `n` is below 1
        """
        from catalog.kit.fill.fill import fill_kit

        return fill_kit(self._pool(), locked, slots=slots, seed=seed, n_best=n)

    def swap(self, kit: Kit, slot: str) -> Kit:
        """Take the next best hit for one slot and keep the others; layers are chosen anew."""
        from catalog.kit.fill.fill import swap_slot

        return self._layers_as_before(kit, swap_slot(self._pool(), kit, slot))

    def swap_back(self, kit: Kit, slot: str) -> Kit:
        """Take the hit again that a slot held before `swap`; `KitError` if there was none."""
        from catalog.kit.fill.fill import swap_back

        return self._layers_as_before(kit, swap_back(self._pool(), kit, slot))

    def _layers_as_before(self, before: Kit, kit: Kit) -> Kit:
        had_layers = any(len(ids) > 1 for ids in before.slots.values())
        return self.add_layers(kit) if had_layers else kit

    def add_layers(self, kit: Kit) -> Kit:
        """Give each slot the other strokes of its drum as layers and round robins; no copies."""
        from catalog.kit.layers import add_layers

        mains = {ids[0] for ids in kit.slots.values() if ids}
        leave_out: set[int] = set()
        for group in self.copies():
            members = {group.keep, *group.others}
            leave_out |= members - (members & mains or {group.keep})
        hits = self.hits()
        heard = self.heard(hit for hit in hits if hit.id in mains)
        return add_layers(kit, [heard.get(h.id, h) for h in hits], leave_out=leave_out)

    def save_kit(self, kit: Kit, name: str) -> None:
        """Keep a kit in the store under a name."""
        named = replace(kit, name=name)
        self._store.save_kit(name, named.to_json())

    def kits(self) -> list[Kit]:
        """Kits kept in the store, the newest of each name."""
        return [
            replace(Kit.from_json(payload), name=name) for name, payload, _ in self._store.kits()
        ]

    def delete_kit(self, name: str) -> None:
        """Take a kept kit away; the recordings stay. `StoreError` if there is none."""
        from catalog.library.store.kits import delete_kit

        delete_kit(self._store, name)

    def rename_kit(self, old: str, new: str) -> None:
        """Give a kept kit another name; `StoreError` if it is taken or there is no such kit."""
        from catalog.library.store.kits import rename_kit

        rename_kit(self._store, old, new)

    def keep_draft(self, text: str) -> None:
        """Keep what lies on the table, as text, until it is kept again."""
        from catalog.library.store.kits import keep_draft

        keep_draft(self._store, text)

    def kept_draft(self) -> str:
        """Give what `keep_draft` kept last; "" if nothing."""
        from catalog.library.store.kits import kept_draft

        return kept_draft(self._store)

    # Within

    def _query(self, hit: int | str | Path, table: HitTable) -> Query:
        """A hit of the table, or a file, which is measured once and then remembered."""
        from catalog.search.query import query_file, query_row

        if not isinstance(hit, str | Path):
            return query_row(table, self._row(table, hit))
        path = Path(hit)
        stamp = (path, path.stat().st_mtime_ns) if path.exists() else (path, 0)
        known = self._asked  # one reading: another thread may ask for another file
        if known is None or known[0] != stamp:
            known = self._asked = (stamp, query_file(path))
        return known[1]

    def _row(self, table: HitTable, hit_id: int) -> int:
        if hit_id not in table.rows:
            hit = self.hit(hit_id)  # raises if there is none at all
            raise ParameterError(f"hit {hit_id} ({hit.name}) is {hit.state}: bring it back first")
        return table.rows[hit_id]

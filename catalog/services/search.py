"""Search for hits that sound like a hit or like a file."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from catalog.context import Context
from catalog.errors import ParameterError
from catalog.kit.model import Kit
from catalog.models import Hit, Mark
from catalog.search.conditions.names import distinct, shorten_sessions
from catalog.search.conditions.sql import select_ids, select_values
from catalog.search.constraints import ConstraintSpec, wished_descriptors
from catalog.search.drums.drum_pitch import DrumPitch
from catalog.search.matches import (
    Match,
    ReadPitches,
    describe_difference,
    folded_copies,
    limit_drums,
    with_library,
    with_same_drum,
)
from catalog.search.nearest import (
    Reference,
    find_alternates,
    find_nearly_equal,
    find_similar,
    reference_of_file,
    reference_of_row,
)
from catalog.search.query import Query
from catalog.search.table import HitTable
from catalog.services.kit.taste import Taste

if TYPE_CHECKING:
    from catalog.duplicates.groups import CopyGroup

TASTE_SHARE = 0.15  # distance by which the most suitable hits come earlier
SEARCHED = 4  # times as many hits as asked for, before the strokes of one drum are limited
COMPARED = 12  # first matches among which copies are looked for
READ_AT_ONCE = 20  # matches whose drums have their pitches read together
ELSEWHERE = (False, True, "session", "kit")


class Search:
    """Find other strokes of a drum, and hits that sound alike."""

    def __init__(
        self,
        context: Context,
        find_groups_of: Callable[[Collection[int]], list[CopyGroup]],
        find_kept: Callable[[], Mapping[int, int]],
    ) -> None:
        self._context = context
        self._find_groups_of = find_groups_of
        self._find_kept = find_kept
        self._taste = Taste(context)
        self._last_file: tuple[tuple[Path, int], Reference] | None = None

    def find(self, query: Query) -> list[Hit]:
        """Return the hits that a query selects, in its order.

        Parameters
        ----------
        query : Query, see `catalog.search.query.make_query`

        Returns
        -------
        list of Hit
            by id, or nearest first where the query has `like` and no order

        Raises
        ------
        ParameterError
            if a session, drum or microphone is unknown, or `where` is no SQL expression
        StoreError
            if the hit of `like` or `copies_of` is unknown
        """
        plain = Query(states=query.states, each_microphone=query.each_microphone)
        if query == plain:  # the list of all hits is cached
            return self._context.hits(query.states, microphones=query.each_microphone)
        return self._context.hits_in_order(self.find_ids(query))

    def find_ids(self, query: Query) -> list[int]:
        """Return the ids of the hits that `find` returns."""
        only = None if query.copies_of is None else self._copies_of(query.copies_of)
        ids = select_ids(self._context.store, query, only=only)
        if query.like is None:
            return ids
        no_good = Mark.NO_GOOD in query.marks
        ranked = [match.hit_id for match in self.similar(query.like, no_good=no_good, copies=True)]
        wanted = set(ids)
        near = [hit_id for hit_id in ranked if hit_id in wanted][: query.limit or None]
        if not query.sort:
            return near
        return select_ids(self._context.store, query, only=near)

    def values(self, hit_ids: Sequence[int], columns: Sequence[str]) -> dict[int, tuple[Any, ...]]:
        """Return the values of some columns for some hits, by id.

        Parameters
        ----------
        hit_ids : sequence of int; unknown ones are left out
        columns : sequence of str, see `catalog.search.conditions.columns.COLUMNS`

        Raises
        ------
        ParameterError
            if a column is unknown
        """
        return select_values(self._context.store.database, hit_ids, columns)

    def session_names(self) -> dict[str, str]:
        """Return the shortest name of each session: its last part, or more where two share it."""
        return shorten_sessions(distinct(self._context.store.database, "session"))

    def _copies_of(self, hit_id: int) -> list[int]:
        """Return the other hits of the group of copies that a hit is in."""
        self._context.hit(hit_id)  # raises if the id is unknown
        for group in self._find_groups_of([hit_id]):
            members = [group.keep, *group.others]
            if hit_id in members:
                return [member for member in members if member != hit_id]
        return []

    def alternates(
        self, hit_id: int, n: int | None = None, *, no_good: bool = False, copies: bool = False
    ) -> list[Match]:
        """Return the hits most likely to be other strokes of the same drum, nearest first.

        The distance counts what the known drums of the library show, see
        `catalog.search.drums.drum_space`, and the neighbors that two hits share.
        Hits marked "master" come first where distances are equal.

        Parameters
        ----------
        hit_id : int
        n : int, optional, how many; None for every other hit
        no_good : bool, also hits marked "no-good"
        copies : bool, also each further file of one recording, see `Match.n_copies`

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
        >>> [match.hit.drum for match in cat.alternates(snare.id, 2)]
        ['SN brass towel', 'SN brass towel']
        """
        table = self._context.table()
        row, kept = self._row(table, hit_id), {} if copies else self._find_kept()
        spaces = self._context.drum_spaces(table)

        def search(kept: Mapping[int, int]) -> list[Match]:
            left_out = folded_copies(kept, hit_id)
            return find_alternates(
                table, row, n=n, no_good=no_good, left_out=left_out, spaces=spaces
            )

        if copies:
            found = search(kept)
        else:
            found, kept = self._without_copies(search, table, kept, hit_id)
        return with_same_drum(with_library(found, kept, self._read_pitches(found)))

    def similar(
        self,
        hit: int | str | Path,
        n: int | None = None,
        role: str | None = None,
        elsewhere: bool | str = False,
        *,
        but: ConstraintSpec | None = None,
        no_good: bool = False,
        copies: bool = False,
        plain: bool = False,
    ) -> list[Match]:
        """Return hits of any drum that sound alike, nearest first.

        Hits marked "master" come first where distances are equal. Once the user has made enough
        choices, hits that suit them come a little earlier, see `catalog.services.kit.taste`.

        Parameters
        ----------
        hit : int, str or Path
            a hit's id, or a file that need not be in the catalog; hits whose file is equal to it
            come first
        n : int, optional, how many; None for every other hit
        role : str, optional, only hits of this role
        elsewhere : bool or str
            "session" (or True), only hits of other sessions; "kit", no hits of saved kits that use
            the hit
        but : str, sequence of str or mapping, optional
            how the hits found must differ: "shorter", ["darker", "tighter"], or
            {"length_s": -0.1, "centroid_hz": "+20%"}; see `catalog.search.constraints`. Hits
            that do not differ in this way are left out, so that there may be fewer than `n`
        no_good : bool, also hits marked "no-good"
        copies : bool, also each further file of one recording, see `Match.n_copies`
        plain : bool, by distance alone, whatever the user has chosen before

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
            if `n` is below 1, the role is unknown, or `but` is invalid

        Examples
        --------
        >>> snare = next(hit for hit in cat.hits() if hit.name == "SN brass towel soft 2")
        >>> {match.hit.session for match in cat.similar(snare.id, 3, elsewhere=True)}
        {'Vellanby boathouse'}
        """
        if elsewhere not in ELSEWHERE:
            raise ParameterError(f"elsewhere={elsewhere!r} must be 'session' or 'kit', or a bool")
        table = self._context.table()
        reference, kept = self._reference(hit, table), {} if copies else self._find_kept()
        in_kits = self._hits_of_its_kits(reference.hit.id) if elsewhere == "kit" else set()

        def search(kept: Mapping[int, int]) -> list[Match]:
            return find_similar(
                table,
                reference,
                n=n if n is None else SEARCHED * n,
                role=role,
                elsewhere=elsewhere in (True, "session"),
                but=but,
                no_good=no_good,
                left_out=folded_copies(kept, reference.hit.id) | in_kits,
                pitches=None if but is None else self._context.drum_pitches(),
            )

        if copies:
            found = search(kept)
        else:
            query_id = reference.hit.id
            found, kept = self._without_copies(search, table, kept, query_id)
        pitches = self._read_pitches(found)
        found = with_library(found, kept, pitches, wished_descriptors(but))
        found = found if plain else self._by_taste(found)
        found = self._equal_first(found, reference, kept)
        return found[:n] if copies else limit_drums(found)[:n]

    def _without_copies(
        self,
        search: Callable[[Mapping[int, int]], list[Match]],
        table: HitTable,
        kept: Mapping[int, int],
        hit_id: int,
    ) -> tuple[list[Match], Mapping[int, int]]:
        """Search, and search again if the first matches turn out to hold copies of one another.

        Only matches that sound nearly equal are compared, so that copies are left out before all
        hits have been compared. `kept` holds the known copies; return it with the new ones.
        """
        found = search(kept)
        first = [hit_id, *(match.hit_id for match in found[:COMPARED])]
        alike = find_nearly_equal(table, first)
        groups = self._find_groups_of(alike) if alike else []
        new = {copy: group.keep for group in groups for copy in group.others} | {**kept}
        return (search(new), new) if len(new) > len(kept) else (found, kept)

    def _equal_first(
        self, found: list[Match], reference: Reference, kept: Mapping[int, int]
    ) -> list[Match]:
        """Return matches with the hit of a file equal to the given one first, or its kept copy."""
        if reference.row is not None:
            return found
        ids = self._context.store.hits.ids_of_content(reference.hit.content_hash)
        equal = {kept.get(hit_id, hit_id) for hit_id in ids}
        return sorted(found, key=lambda match: match.hit_id not in equal)

    def _by_taste(self, found: list[Match]) -> list[Match]:
        """Return matches with those that suit the user a little earlier."""
        values = self._taste.values([match.hit_id for match in found])
        if values is None:
            return found
        order = np.argsort([m.distance for m in found] - TASTE_SHARE * values, kind="stable")
        return [found[k] for k in order]

    def _read_pitches(self, found: Sequence[Match]) -> ReadPitches:
        """Return what reads the pitches of drums, those of the nearest matches all at once."""
        first = [match.hit for match in found[:READ_AT_ONCE]]
        return lambda hits: self._context.drum_pitches_of([*hits, *first])

    def drum_pitch(self, hit_id: int) -> DrumPitch | None:
        """Return the pitch of the drum of a present hit, or None if it has no clear pitch.

        It is measured from all strokes of the drum, see `catalog.search.drums.drum_pitch`.
        """
        hit = self._context.hit(hit_id)
        return self._context.drum_pitches_of([hit]).get(hit_id)

    def _hits_of_its_kits(self, hit_id: int) -> set[int]:
        """Return the hits of all saved kits that use a hit."""
        kits = (Kit.from_json(kit.payload) for kit in self._context.store.kits.read())
        held = ({i for ids in kit.slots.values() for i in ids} for kit in kits)
        return set().union(*(ids for ids in held if hit_id in ids)) - {hit_id}

    def measure_file(self, path: str | Path) -> Hit:
        """Measure a file that need not be in the catalog, such as a phone recording.

        Returns
        -------
        Hit
            with id 0 and state "outside", its role estimated from sound; nothing is stored

        Raises
        ------
        AudioError
            if it cannot be read or holds no stroke
        """
        return self._reference(Path(path), self._context.table()).hit

    def reasons(self, hit: int | str | Path, other_id: int) -> tuple[str, ...]:
        """Return how another hit differs: "40 ms shorter", "300 Hz darker".

        Parameters
        ----------
        hit : int, str or Path, a hit's id or a file
        other_id : int

        Returns
        -------
        tuple of str, the most audible difference first
        """
        other = self._context.hit(other_id)
        query_hit = (
            self.measure_file(hit) if isinstance(hit, str | Path) else self._context.hit(hit)
        )
        pitches = self._context.drum_pitches_of((query_hit, other))
        return describe_difference(query_hit, other, pitches=pitches)

    def _reference(self, hit: int | str | Path, table: HitTable) -> Reference:
        """Return the reference for a hit or file; the last file is cached."""
        if not isinstance(hit, str | Path):
            return reference_of_row(table, self._row(table, hit))
        path = Path(hit)
        stamp = (path, path.stat().st_mtime_ns) if path.exists() else (path, 0)
        cached = self._last_file  # read once: another thread may search from another file
        if cached is None or cached[0] != stamp:
            cached = self._last_file = (stamp, reference_of_file(path))
        return cached[1]

    def _row(self, table: HitTable, hit_id: int) -> int:
        if hit_id not in table.rows:
            hit = self._context.hit(hit_id)  # raises if the id is unknown
            raise ParameterError(f"hit {hit_id} ({hit.name}) is {hit.state}: restore it first")
        return table.rows[hit_id]

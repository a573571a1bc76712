"""Faults of hits, gaps of the library, and files that could not be used."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping

from catalog.context import Context
from catalog.library.integrity.checksums import DamagedRow
from catalog.library.integrity.damaged_words import accept_words, find_in_backups, take_from_backups
from catalog.library.integrity.health import Health, check_store, mend_measurements
from catalog.library.review.coverage import Coverage, find_coverage
from catalog.library.review.faults import HitFault, dismiss_faults, read_faults
from catalog.models import Event
from catalog.reports import Skipped


class Review:
    """List faults of recordings and gaps of the library.

    Parameters
    ----------
    context : Context
    find_kept : callable, returns the id of the kept hit for each copy that is known
    """

    def __init__(self, context: Context, find_kept: Callable[[], Mapping[int, int]]) -> None:
        self._context = context
        self._find_kept = find_kept

    def faults(
        self,
        hit_ids: Collection[int] | None = None,
        *,
        kinds: Collection[str] = (),
        least_weight: float = 0.0,
        dismissed: bool = False,
        sort: str = "weight",
    ) -> list[HitFault]:
        """Return the faults of hits, each with its value, position and weight.

        Parameters
        ----------
        hit_ids : collection of int, optional, only these hits
        kinds : collection of str, only these kinds; see `catalog.features.faults.FAULT_KINDS`
        least_weight : float, 0 to 1, only faults of at least this weight
        dismissed : bool, include dismissed faults
        sort : str, "weight" (heaviest first), "kind" or "hit"

        Returns
        -------
        list of HitFault

        Raises
        ------
        ParameterError
            if a kind or `sort` is unknown
        """
        return read_faults(
            self._context.store, hit_ids=hit_ids, kinds=kinds, least_weight=least_weight,
            dismissed=dismissed, sort=sort,
        )  # fmt: skip

    def dismiss_fault(self, hit_ids: Collection[int], kind: str, *, dismissed: bool = True) -> None:
        """Dismiss a kind of fault of hits until their files change; `dismissed=False` undoes it.

        Raises
        ------
        ParameterError
            if the kind is unknown
        StoreError
            if a hit is unknown
        """
        dismiss_faults(self._context.store, hit_ids, kind, dismissed=dismissed)

    def coverage(self) -> Coverage:
        """Return what was recorded of each drum and what is missing.

        Copies do not count: neither those of the last search nor files of exported kits.

        Examples
        --------
        >>> cat.review.coverage().gaps[0].words
        'no middling strokes of cardboard box (kick, Kitchen at Fennimarsh 2023-02-19)'
        """
        copies = self._find_kept()
        hits = {
            hit.id: hit
            for hit in self._context.hits()
            if hit.event == Event.STROKE and not hit.exported and hit.id not in copies
        }
        return find_coverage(list(self._context.estimate_missing_strengths(hits).values()))

    def check_store(
        self, *, mend: bool = True, from_backup: bool = False, as_it_is: bool = False
    ) -> Health:
        """Check the whole store for damage; it takes some seconds for 100,000 hits.

        The tables that queries read have no checksums; in a store without damage they are computed
        again.

        Parameters
        ----------
        mend : bool
            let the next scan measure hits with damaged values again; what you wrote is only
            reported
        from_backup : bool
            take damaged rows that you wrote from the newest backup that has them
        as_it_is : bool
            accept the other damaged rows that you wrote as they are now

        Returns
        -------
        Health
            with the damage as it was found
        """
        database = self._context.store.database
        health = check_store(database)
        if mend and health.rows and not health.structure and not database.is_read_only:
            mend_measurements(database, health)
            taken = take_from_backups(database, health.by_hand) if from_backup else []
            if as_it_is:
                accept_words(database, [row for row in health.by_hand if row not in taken])
        return health

    def rows_in_backups(self, health: Health) -> dict[DamagedRow, str]:
        """Return the backup that has each damaged row that you wrote; others are left out."""
        database = self._context.store.database
        found = {row: find_in_backups(database, row) for row in health.by_hand}
        return {row: str(copy.backup) for row, copy in found.items() if copy is not None}

    def skipped(self) -> list[Skipped]:
        """Return the files that could not be used, each with its reason."""
        return self._context.store.files.read_skipped()

"""What is wrong with hits, and what the user says of that."""

from __future__ import annotations

from collections.abc import Collection

from catalog.library.review.faults import HitFault
from catalog.library.store.hits import Store


class Checking:
    """What `Catalog` says of faults."""

    _store: Store

    def faults(
        self,
        hit_ids: Collection[int] | None = None,
        *,
        kinds: Collection[str] = (),
        least_weight: float = 0.0,
        dismissed: bool = False,
        sort: str = "weight",
    ) -> list[HitFault]:
        """What is wrong with hits: each fault with a number, a place in time and a weight.

        Parameters
        ----------
        hit_ids : collection of int, optional, only these hits
        kinds : collection of str, only these; see `catalog.features.faults.KINDS`
        least_weight : float, 0 to 1
        dismissed : bool, also those that `dismiss_fault` took out
        sort : str, "weight" (heaviest first), "kind" or "hit"

        Returns
        -------
        list of HitFault

        Raises
        ------
        ParameterError
            if a kind or the order is unknown
        """
        from catalog.library.review.faults import read_faults

        return read_faults(
            self._store, hit_ids=hit_ids, kinds=kinds, least_weight=least_weight,
            dismissed=dismissed, sort=sort,
        )  # fmt: skip

    def dismiss_fault(self, hit_ids: Collection[int], kind: str, *, dismissed: bool = True) -> None:
        """Say for good that what was found in hits is no fault; a changed file is judged anew.

        Raises
        ------
        ParameterError
            if the kind is unknown
        StoreError
            if a hit is unknown
        """
        from catalog.library.review.faults import dismiss_faults

        dismiss_faults(self._store, hit_ids, kind, dismissed=dismissed)

"""Getting hits out of the way: set aside, hidden, and all of it taken back."""

from __future__ import annotations

from collections.abc import Sequence

from catalog.errors import StoreError
from catalog.library.files.undo import Undone
from catalog.library.store.hits import Store
from catalog.models import HistoryEvent


class Removing:
    """What `Catalog` does with hits that are not wanted; nothing is ever deleted."""

    _store: Store

    def set_aside(
        self, hit_ids: Sequence[int], *, reason: str, even_in_kits: bool = False
    ) -> list[HistoryEvent]:
        """Move the files of hits into the store's own folder; `restore` or `undo` brings them back.

        Parameters
        ----------
        hit_ids : sequence of int
        reason : str, kept in the history
        even_in_kits : bool
            also those that a kept kit needs; `kits_using` tells which

        Returns
        -------
        list of HistoryEvent, one a hit

        Raises
        ------
        StoreError
            if a hit is unknown, not there, needed by a kept kit, or its file cannot be moved

        Examples
        --------
        >>> group = cat.copies()[0]
        >>> steps = cat.set_aside(group.others, reason="there twice")
        >>> cat.hit(group.others[0]).state
        'aside'
        >>> undone = cat.undo()
        >>> cat.hit(group.others[0]).state
        'here'
        """
        from catalog.kit.usage import say_usage
        from catalog.library.files.set_aside import set_aside_hits

        if not even_in_kits and (used := self.kits_using(hit_ids)):
            raise StoreError(
                f"{say_usage(used)}, which could then not be exported; nothing was moved. Ask for "
                "even_in_kits (--even-in-kits) to set it aside all the same"
            )
        return set_aside_hits(self._store, hit_ids, reason=reason)

    def restore(self, hit_ids: Sequence[int]) -> list[HistoryEvent]:
        """Move files that were set aside back to where they were, byte for byte.

        Raises
        ------
        StoreError
            if a hit is not set aside, or another file has taken its name
        """
        from catalog.library.files.set_aside import restore_hits

        return restore_hits(self._store, hit_ids)

    def hide(self, hit_ids: Sequence[int], *, reason: str = "") -> list[HistoryEvent]:
        """Leave hits out of lists, searches, copies and kits without touching their files.

        Meant for files in folders that are read-only or on another machine.

        Raises
        ------
        StoreError
            if a hit is unknown, set aside, or hidden already
        """
        from catalog.library.files.hide import hide_hits

        return hide_hits(self._store, hit_ids, reason=reason)

    def unhide(self, hit_ids: Sequence[int]) -> list[HistoryEvent]:
        """Take hidden hits in again.

        Raises
        ------
        StoreError
            if a hit is unknown or not hidden
        """
        from catalog.library.files.hide import unhide_hits

        return unhide_hits(self._store, hit_ids)

    def obstacles(self, hit_ids: Sequence[int]) -> dict[int, str]:
        """Why hits cannot be set aside, each in one line; those that can be are not in it."""
        from catalog.library.files.set_aside import find_obstacle

        return {i: why for i in hit_ids if (why := find_obstacle(self._store, i))}

    def kits_using(self, hit_ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
        """Names of the kept kits that need each of these hits; hits in no kit are not in it."""
        from catalog.kit.model import Kit
        from catalog.kit.usage import kits_using

        return kits_using((Kit.from_json(row[1]) for row in self._store.kits()), hit_ids)

    def undo(self, steps: Sequence[int] | None = None) -> Undone:
        """Bring hits back to before some steps of the history, in any order, or before all.

        Parameters
        ----------
        steps : sequence of int, optional, each `HistoryEvent.step`; None for everything

        Returns
        -------
        Undone, with the hits that could not go back and why: nothing is ever written over

        Raises
        ------
        StoreError
            if a step is unknown or is none that can be undone
        """
        from catalog.library.files.undo import undo_steps

        return undo_steps(self._store, steps)

    def history(self) -> list[HistoryEvent]:
        """Everything that was done to hits, the newest last."""
        return self._store.history()

"""Roles, marks, tags and remarks that the user gives to hits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from catalog.context import Context
from catalog.library.store.records.annotations import Annotation
from catalog.models import RoleSource
from catalog.search.table import roles_from_examples


class Annotations:
    """Annotate hits and revert annotations."""

    def __init__(self, context: Context) -> None:
        self._context = context

    def set_role(self, hit_id: int, role: str) -> None:
        """Set the role of a hit, and estimate the roles of similar hits from it.

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
        self._context.store.hits.set_role(hit_id, role)
        self.propagate_roles()

    def mark(self, hit_ids: Sequence[int], mark: str) -> None:
        """Mark hits as "master", "spare" or "no-good"; "" removes the mark.

        Raises
        ------
        ParameterError
            if the mark is unknown
        """
        self._context.store.annotations.set_mark(hit_ids, mark)

    def tag(
        self, hit_ids: Sequence[int], *, add: Iterable[str] = (), drop: Iterable[str] = ()
    ) -> None:
        """Add tags to hits and remove tags from them.

        Raises
        ------
        ParameterError
            if a tag is empty or longer than 60 characters
        """
        self._context.store.annotations.change_tags(hit_ids, add=add, drop=drop)

    def annotate(
        self,
        hit_ids: Sequence[int],
        *,
        mark: str | None = None,
        role: str | None = None,
        add: Iterable[str] = (),
        drop: Iterable[str] = (),
        remark: str | None = None,
    ) -> list[Annotation]:
        """Apply several annotations to several hits in one transaction.

        Parameters
        ----------
        hit_ids : sequence of int
        mark, role : str, optional, see `mark` and `set_role`
        add, drop : iterables of str, see `tag`
        remark : str, optional, free text of at most 2,000 characters; "" removes it

        Returns
        -------
        list of Annotation
            the previous annotations of every hit that changed, including hits whose estimated
            role changed; pass it to `revert`

        Raises
        ------
        ParameterError
            if a mark, role, tag or remark is not allowed
        StoreError
            if a hit is unknown
        """
        store = self._context.store
        ids = list(dict.fromkeys(int(hit_id) for hit_id in hit_ids))
        affected = ids if role is None else None  # a role may change the estimates of others
        before = store.annotations.read(affected)
        for hit_id in ids:
            if hit_id not in before:
                self._context.hit(hit_id)  # raises with the reason
        with store.writing():
            if mark is not None:
                store.annotations.set_mark(ids, mark)
            store.annotations.change_tags(ids, add=add, drop=drop)
            if remark is not None:
                store.annotations.set_remark(ids, remark)
            for hit_id in ids if role is not None else ():
                store.hits.set_role(hit_id, str(role))
        if role is not None:
            self.propagate_roles()
        after = store.annotations.read(affected)
        return [old for hit_id, old in before.items() if after.get(hit_id, old) != old]

    def revert(self, previous: Iterable[Annotation]) -> list[Annotation]:
        """Restore previous annotations, as `annotate` returned them.

        Returns
        -------
        list of Annotation, those that were replaced; pass it to `revert` to redo
        """
        previous, store = list(previous), self._context.store
        now = store.annotations.read([old.hit_id for old in previous])
        store.annotations.restore(previous)
        return [now[old.hit_id] for old in previous if old.hit_id in now]

    def role_probabilities(self, hit_ids: Sequence[int]) -> np.ndarray:
        """Return role probabilities from sound; float32, shape (n, 20), in the order of `ROLES`.

        Raises
        ------
        StoreError
            if a hit is unknown
        """
        return self._context.store.hits.role_probabilities(hit_ids)

    def propagate_roles(self) -> None:
        """Estimate roles again from similar hits whose role the user set."""
        store = self._context.store
        estimates = roles_from_examples(self._context.table())
        if estimates:
            with store.writing():
                for hit_id, role, confidence, source in estimates:
                    if store.hits.get(hit_id).role_source == RoleSource.USER:
                        continue  # set since the table was read
                    store.hits.set_role(hit_id, role, confidence=confidence, source=source)

"""Roles, marks, tags and remarks that the user gives to hits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from catalog.context import Context, check_ids
from catalog.library.metadata.damping import mentions_damping
from catalog.library.store.acts.summaries import describe_hits, describe_tags
from catalog.library.store.records.annotations import Annotation
from catalog.library.strokes.automatic_role import AUTOMATIC, reset_role
from catalog.library.strokes.damping_vote import refresh_dampings
from catalog.search.roles.answers import RoleAnswer, RoleShift
from catalog.services.roles.propagation import propagate_roles


class Annotations:
    """Annotate hits; `Files.undo` takes the last act back."""

    def __init__(self, context: Context) -> None:
        self._context = context

    def set_role(self, hit_id: int | Sequence[int], role: str) -> RoleAnswer:
        """Set the role of hits, and estimate the roles of the other hits from it.

        Parameters
        ----------
        hit_id : int or sequence of int, one hit or several of one role
        role : str, one of `catalog.ROLES`; "" returns to the automatic role

        Returns
        -------
        RoleAnswer
            the hits whose roles followed; `Files.undo` takes all of it back

        Raises
        ------
        ParameterError
            if the role is unknown
        StoreError
            if there is no such hit
        """
        store = self._context.store
        ids = check_ids([hit_id] if isinstance(hit_id, int) else hit_id)
        summary = f"{describe_hits(store.database, ids)}: {role or AUTOMATIC}"
        with store.act("role", summary):
            with store.writing():
                for one in dict.fromkeys(ids):
                    self._write_role(one, role)
            shifts = self.propagate_roles()
        return RoleAnswer(role, tuple(shift for shift in shifts if shift.hit_id not in ids))

    def _write_role(self, hit_id: int, role: str) -> None:
        store = self._context.store
        if role:
            store.hits.set_role(hit_id, role)
        else:
            reset_role(store, hit_id)

    def mark(self, hit_ids: Sequence[int], mark: str) -> None:
        """Mark hits as "master", "spare" or "no-good"; "" removes the mark.

        Raises
        ------
        ParameterError
            if the mark is unknown
        """
        self._context.store.annotations.set_mark(check_ids(hit_ids), mark)

    def tag(
        self, hit_ids: Sequence[int], *, add: Iterable[str] = (), drop: Iterable[str] = ()
    ) -> None:
        """Add tags to hits and remove tags from them; a text is one tag.

        Raises
        ------
        ParameterError
            if a tag is empty or longer than 60 characters
        """
        store, add, drop = self._context.store, _as_list(add), _as_list(drop)
        with store.writing():
            store.annotations.change_tags(check_ids(hit_ids), add=add, drop=drop)
            if mentions_damping((*add, *drop)):
                refresh_dampings(store, hit_ids)

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
        add, drop : str or iterables of str, see `tag`
        remark : str, optional, free text of at most 2,000 characters; "" removes it

        Returns
        -------
        list of Annotation
            the previous annotations of every hit that changed, including hits whose estimated
            role changed

        Raises
        ------
        ParameterError
            if a mark, role, tag or remark is not allowed
        StoreError
            if a hit is unknown
        """
        store, add, drop = self._context.store, _as_list(add), _as_list(drop)
        ids = list(dict.fromkeys(check_ids(hit_ids)))
        affected = ids if role is None else None  # a role may change the estimates of others
        before = store.annotations.read(affected)
        for hit_id in ids:
            if hit_id not in before:
                self._context.hit(hit_id)  # raises with the reason
        marked = None if mark is None else mark or "no mark"
        played = None if role is None else role or AUTOMATIC
        parts = [marked, played, describe_tags(add, drop), remark and f"“{remark}”"]
        words = ", ".join(filter(None, parts)) or "nothing"
        is_tag = bool(add or drop) or remark is None
        verb = "tag" if is_tag else "remark"
        verb = "role" if role is not None else "mark" if mark is not None else verb
        with store.act(verb, f"{describe_hits(store.database, ids)}: {words}"):
            with store.writing():
                if mark is not None:
                    store.annotations.set_mark(ids, mark)
                store.annotations.change_tags(ids, add=add, drop=drop)
                if mentions_damping((*add, *drop)):
                    refresh_dampings(store, ids)
                if remark is not None:
                    store.annotations.set_remark(ids, remark)
                for hit_id in ids if role is not None else ():
                    self._write_role(hit_id, str(role))
            if role is not None:
                self.propagate_roles()
        after = store.annotations.read(affected)
        return [old for hit_id, old in before.items() if after.get(hit_id, old) != old]

    def role_probabilities(self, hit_ids: Sequence[int]) -> np.ndarray:
        """Return role probabilities from sound; float32, shape (n, 20), in the order of `ROLES`.

        Raises
        ------
        StoreError
            if a hit is unknown
        """
        return self._context.store.hits.role_probabilities(hit_ids)

    def propagate_roles(self) -> list[RoleShift]:
        """Estimate roles again from all that is known, see `propagate_roles`."""
        return propagate_roles(self._context)


def _as_list(tags: str | Iterable[str]) -> list[str]:
    """Return tags as a list; a text is one tag, not one for each letter."""
    return [tags] if isinstance(tags, str) else list(tags)

"""Roles that the library teaches: why a hit has its role, what to ask, what to forget."""

from __future__ import annotations

from typing import NamedTuple

from catalog.context import Context
from catalog.errors import ParameterError
from catalog.models import RoleSource
from catalog.search.roles.answers import RoleShift
from catalog.search.roles.estimates import LearnedRoles
from catalog.search.roles.explanation import RoleReason, explain_role, read_doubts
from catalog.search.roles.names import NameDoubt
from catalog.search.roles.questions import RoleQuestion, find_questions
from catalog.services.roles.propagation import FORGOTTEN, is_forgotten, learn, propagate_roles


class LearnedSummary(NamedTuple):
    """Numbers of hits by the source of their role."""

    learns: bool  # whether known roles correct the estimates of others
    set_by_you: int
    by_name: int
    learned_from_these: int
    by_sound_alone: int
    misnamed: int  # of those by name: the sound contradicts it


class Roles:
    """What is learned of roles from the names and the answers in this library.

    It is kept in the store and never leaves the machine.
    """

    def __init__(self, context: Context) -> None:
        self._context = context
        self._learned: tuple[int, bool, LearnedRoles] | None = None

    def questions(self, n: int = 12) -> list[RoleQuestion]:
        """Return the hits and tight groups whose role is most worth naming, the first one first.

        First comes the answer that is expected to change the estimates of the whole library most.
        Answer with `Annotations.set_role(question.hit_ids, role)`.

        Raises
        ------
        ParameterError
            if `n` is below 1

        Examples
        --------
        >>> question = cat.roles.questions(1)[0]
        >>> question.hit_id in question.hit_ids, len(question.likely)
        (True, 4)
        """
        if n < 1:
            raise ParameterError(f"n={n} must be at least 1")
        return find_questions(self._learn(), n)

    def doubts(self) -> list[NameDoubt]:
        """Return the hits whose names contradict their sounds, the clearest first."""
        return read_doubts(self._context.store)

    def reason(self, hit_id: int) -> RoleReason:
        """Return why a hit has its role: "snare: named so; 9 of 10 nearest known hits are snare".

        Raises
        ------
        StoreError
            if there is no such hit

        Examples
        --------
        >>> snare = cat.hits("ghost", limit=1)[0]
        >>> print(cat.roles.reason(snare.id).reasons[0])
        named so
        """
        hit = self._context.hit(hit_id)
        return explain_role(self._context.store, hit, self._context.table)

    def summary(self) -> LearnedSummary:
        """Return how much is known of roles and what was learned from it."""
        rows = self._context.store.database.read(
            "SELECT role_source, count(*) FROM hit_search WHERE state = 'here' GROUP BY role_source"
        )
        counts = dict(rows)
        return LearnedSummary(
            not self.is_forgotten,
            counts.get(RoleSource.USER, 0),
            counts.get(RoleSource.NAME, 0),
            counts.get(RoleSource.EXAMPLE, 0),
            counts.get(RoleSource.SOUND, 0),
            len(self.doubts()),
        )

    @property
    def is_forgotten(self) -> bool:
        """Whether the learned roles were forgotten, see `forget`."""
        return is_forgotten(self._context.store)

    def forget(self, *, forget: bool = True) -> list[RoleShift]:
        """Forget what was learned: estimates go by names and sounds alone, until learned again.

        Roles that the user set stay. Undo reverts it.

        Parameters
        ----------
        forget : bool, False to learn again

        Returns
        -------
        list of RoleShift, the hits whose estimated role has changed
        """
        store = self._context.store
        if forget == self.is_forgotten:
            return []
        summary = "roles learned from this library"
        with store.act("forget" if forget else "learn", summary):
            store.database.save_setting(FORGOTTEN, forget)
            return propagate_roles(self._context)

    def _learn(self) -> LearnedRoles:
        """Return what is learned, computed once for each state of the store."""
        key = (self._context.store.revision(), not self.is_forgotten)
        if self._learned is None or self._learned[:2] != key:
            self._learned = (*key, learn(self._context))
        return self._learned[2]

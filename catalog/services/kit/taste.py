"""The taste of the user, learned from marks and saved kits; nothing of it leaves the store."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from catalog.context import Context
from catalog.errors import CatalogError
from catalog.kit.model import Kit
from catalog.library.backup.recover_words import FORGOTTEN
from catalog.library.store.schema import ANNOTATED
from catalog.models import Mark, State
from catalog.search.taste.preference import (
    MIN_CHOICES,
    NUMBERS,
    Choice,
    Preference,
    Traits,
    learn_preference,
    make_traits,
)

KEPT_WITH_KIT = 0.1  # weight of a hit that was saved with a kit as it was filled in
MAX_CHOICES = 1000  # the last ones count
KIND_OF_MARK, SWAPPED, LOCKED, WITH_KIT = "master", "swapped", "locked", "kit"


@dataclass(frozen=True)
class TasteReport:
    """What was learned from how many choices; nothing below `needed` of them."""

    n_choices: int
    needed: int
    is_used: bool
    prefers: tuple[str, ...]  # in words, the strongest first


class Taste:
    """Learn what the user prefers from hits marked "master" and from saved kits.

    A hit marked "master" or locked in a saved kit was preferred to the average of its role, and one
    that took the place of another in a kit to that one. The other hits of a saved kit count for a
    tenth, and not as choices.
    """

    def __init__(self, context: Context) -> None:
        self._context = context
        # choices, revision of the store, and what was learned from them
        self._known: tuple[list[Choice], int, Preference | None, Traits | None] | None = None

    def report(self) -> TasteReport:
        """Return what was learned so far, and from how many choices."""
        choices = self._choices()
        preference, _ = self._learn(choices)
        n = sum(choice.weight >= 1.0 for choice in choices)
        words = tuple(preference.words()) if preference else ()
        return TasteReport(n, MIN_CHOICES, preference is not None, words)

    def values(self, hit_ids: Sequence[int]) -> np.ndarray | None:
        """Return how much the user is likely to prefer hits among those of their roles.

        Returns
        -------
        np.ndarray, float64, shape (n,), from -1 to 1; None if too few choices were made
        """
        preference, traits = self._learn(self._choices())
        if preference is None or traits is None:
            return None
        return preference.values(traits, traits.rows_of(hit_ids))

    def forget(self) -> int:
        """Forget all choices made so far; return how many. `Files.undo` takes that back."""
        store, choices = self._context.store, self._choices()
        known = list(store.database.read_setting(FORGOTTEN, []))
        listed = [*known, *([c.kind, c.hit_id, c.other_id] for c in choices)]
        n = sum(choice.weight >= 1.0 for choice in choices)
        if choices:
            with store.act("taste", f"forget {n} choices"), store.writing():
                store.database.save_setting(FORGOTTEN, listed)
        return n

    def _choices(self) -> list[Choice]:
        """Return the choices that count, those of kits last."""
        setting = self._context.store.database.read_setting(FORGOTTEN, [])
        forgotten = {tuple(key) for key in setting}
        found = [*self._masters(), *self._of_kits()]
        left = [c for c in found if (c.kind, c.hit_id, c.other_id) not in forgotten]
        return left[-MAX_CHOICES:]

    def _masters(self) -> Iterator[Choice]:
        # with the condition of an index, and "+" against another index that covers more hits
        sql = f"SELECT id FROM hit WHERE {ANNOTATED} AND mark = ? AND +state = ? AND +hidden = 0"
        rows = self._context.store.database.read(sql, (Mark.MASTER, State.HERE))
        return (Choice(KIND_OF_MARK, row[0]) for row in sorted(rows))

    def _of_kits(self) -> Iterator[Choice]:
        for saved in self._context.store.kits.read(checked=False):
            with suppress(CatalogError):
                yield from choices_of_kit(Kit.from_json(saved.payload))

    def _learn(self, choices: list[Choice]) -> tuple[Preference | None, Traits | None]:
        """Return the preference and the traits of all hits; computed again only after a change."""
        if sum(choice.weight >= 1.0 for choice in choices) < MIN_CHOICES:
            return None, None
        revision, known = self._context.store.revision(), self._known
        if known is None or known[:2] != (choices, revision):
            traits = self._read_traits()
            known = choices, revision, learn_preference(choices, traits), traits
            self._known = known
        return known[2], known[3]

    def _read_traits(self) -> Traits:
        columns = ", ".join(NUMBERS)
        sql = (
            f"SELECT hit_id, role, session, {columns} FROM hit_search WHERE state = ?"
            " ORDER BY hit_id"
        )
        rows = self._context.store.database.read(sql, (State.HERE,))
        numbers = np.array([row[3:] for row in rows], np.float64).reshape(len(rows), len(NUMBERS))
        ids = np.array([row[0] for row in rows], np.int64)
        roles, sessions = (np.array([row[k] for row in rows], str) for k in (1, 2))
        return make_traits(ids, roles, sessions, numbers)


def choices_of_kit(kit: Kit) -> Iterator[Choice]:
    """Yield the choices that a saved kit shows."""
    for slot, ids in kit.slots.items():
        if not ids:
            continue
        passed = [hit_id for hit_id in kit.passed.get(slot, ()) if hit_id != ids[0]]
        yield from (Choice(SWAPPED, ids[0], hit_id) for hit_id in passed)
        if slot in kit.locked:
            yield Choice(LOCKED, ids[0])
        elif not passed:
            yield Choice(WITH_KIT, ids[0], weight=KEPT_WITH_KIT)

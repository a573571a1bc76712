"""Estimate the roles of a library again after a change, and store what was learned."""

from __future__ import annotations

from catalog.context import Context
from catalog.library.store.store import Store
from catalog.models import ROLES
from catalog.search.roles.answers import RoleShift
from catalog.search.roles.estimates import LearnedRoles, learn_roles
from catalog.search.roles.names import DOUBTED_NAMES

LEARNED_AT = "roles_learned_at"  # setting: version, `FORGOTTEN` and revision at the last estimate
LEARNING_VERSION = 1  # raised when estimates of an older program are to be replaced
RELIABILITY = "name_reliability"  # setting: of the names of each folder where some are wrong
FORGOTTEN = "roles_forgotten"  # setting: whether roles are estimated from sounds and names alone


def propagate_roles(context: Context) -> list[RoleShift]:
    """Estimate roles again from the known roles; return the hits whose roles have changed.

    Nothing is done if the store has not changed since.
    """
    store = context.store
    if store.database.read_setting(LEARNED_AT) == _stamp(store):
        return []
    learned = learn(context)
    changes = learned.changes()
    shifts = _find_shifts(learned, {change.hit_id: change.role for change in changes})
    if changes:
        store.hits.set_estimated_roles(changes)
    if not store.database.is_read_only:
        with store.writing(changes_hits=False):
            doubts = [] if is_forgotten(store) else [list(doubt) for doubt in learned.doubts()]
            _save(store, DOUBTED_NAMES, doubts)
            _save(store, RELIABILITY, dict(learned.known.reliability))
            _save(store, LEARNED_AT, _stamp(store))
    return shifts


def learn(context: Context) -> LearnedRoles:
    """Return what the known roles teach of all hits, beginning with what was found before."""
    store = context.store
    before = store.database.read_setting(RELIABILITY, {})
    return learn_roles(context.table(), learns=not is_forgotten(store), reliability=before)


def _save(store: Store, key: str, value: object) -> None:
    if store.database.read_setting(key) != value:
        store.database.save_setting(key, value)


def is_forgotten(store: Store) -> bool:
    """Return whether the user has had the learned roles forgotten."""
    return bool(store.database.read_setting(FORGOTTEN, False))


def _stamp(store: Store) -> list[int]:
    return [LEARNING_VERSION, int(is_forgotten(store)), store.revision()]


def _find_shifts(learned: LearnedRoles, roles: dict[int, str]) -> list[RoleShift]:
    known = learned.known
    before = {int(i): ROLES[role] for i, role in zip(known.ids, known.roles, strict=True)}
    return [RoleShift(i, before[i], role) for i, role in roles.items() if role != before[i]]

"""The role that the program gives to a hit, in place of one that the user set."""

from __future__ import annotations

from pathlib import Path

from catalog.library.metadata.roles import RoleEstimate, combine_role, role_from_name
from catalog.library.scan.folders import root_of
from catalog.library.store.acts.summaries import describe_hits
from catalog.library.store.database import path_from_db
from catalog.library.store.store import Store
from catalog.library.strokes.store_ties import tie_stored_strokes
from catalog.models import Action

AUTOMATIC = "automatic"  # in place of a role, in the history


def estimate_role(store: Store, hit_id: int) -> RoleEstimate:
    """Return the role of a hit by its name and its sound, as a scan of its folder finds it.

    Raise `StoreError` if the hit is unknown.
    """
    shares = store.hits.role_probabilities([hit_id])[0]
    path = path_from_db(store.database.read("SELECT path FROM hit WHERE id = ?", (hit_id,))[0][0])
    return combine_role(role_from_name(path, root=root_of(store, Path(path))), shares)


def reset_role(store: Store, hit_id: int) -> None:
    """Return a hit, with all microphones of its stroke, to the automatic role.

    Raise `StoreError` if the hit is unknown.
    """
    hit, estimate = store.hits.get(hit_id), estimate_role(store, hit_id)
    summary = f"{describe_hits(store.database, [hit_id])}: {AUTOMATIC}"
    with store.act("role", summary), store.writing():
        store.hits.set_role(
            hit_id, estimate.role, confidence=estimate.confidence, source=estimate.source
        )
        store.history.add_edit(Action.ROLE, hit, f"{hit.role} -> {AUTOMATIC}")
    if hit.tied:
        tie_stored_strokes(store, always=True)  # all microphones vote

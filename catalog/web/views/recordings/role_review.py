"""Uncertain roles, confirmed by ear in short rounds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import streamlit as st

from catalog.catalog import Catalog
from catalog.models import ROLES, UNSURE_CONFIDENCE, Hit, RoleSource
from catalog.web.labels import count_of
from catalog.web.payloads import pick_row
from catalog.web.state import page
from catalog.web.tab import tab
from catalog.web.views.component import mount_audition

PER_ROUND = 12  # questions; a round takes about a minute
N_LIKELY = 4  # most likely roles, each with a key


def unsure_hits(hits: Sequence[Hit]) -> list[Hit]:
    """Return the hits with an uncertain, unconfirmed role, the least certain first."""
    found = [
        h
        for h in hits
        if h.role_source != RoleSource.USER and h.role_confidence < UNSURE_CONFIDENCE
    ]
    return sorted(found, key=lambda hit: (hit.role_confidence, hit.id))


def draw_role_review(catalog: Catalog) -> None:
    """Draw one round of questions; it stays the same until the next round is requested."""
    unsure = unsure_hits(page().hits())
    round_hits = _round_hits(catalog, unsure)
    if not round_hits:
        return
    st.caption(
        f"{count_of(len(unsure), 'hit')} with an uncertain role. Each answer also updates "
        "similar hits."
    )
    mount_audition(
        "role_review",
        {
            "round": tab().role_round,
            "questions": _questions(catalog, round_hits),
            "left": sum(hit.id not in round_hits for hit in unsure),
        },
        on_more_change=_start_next_round,
    )


def _start_next_round() -> None:
    tab().role_round += 1
    tab().role_hits = None


def _round_hits(catalog: Catalog, unsure: Sequence[Hit]) -> list[int]:
    """Return the hits of this round; they are chosen once, so that answers do not reorder it."""
    ids = tab().role_hits
    here = {hit.id for hit in page().hits()}
    if ids is None or not here.issuperset(ids):
        ids = [hit.id for hit in unsure[:PER_ROUND]]
        tab().role_round += 1
    tab().role_hits = ids
    return list(ids)


def _questions(catalog: Catalog, hit_ids: Sequence[int]) -> list[dict[str, object]]:
    chances = catalog.annotations.role_probabilities(hit_ids)
    return [_question(catalog.hit(i), row) for i, row in zip(hit_ids, chances, strict=True)]


def _question(hit: Hit, chances: np.ndarray) -> dict[str, object]:
    likely = [ROLES[k] for k in np.argsort(-chances, kind="stable")[:N_LIKELY]]
    if hit.role_source != RoleSource.USER and hit.role not in likely:  # by its name, or by examples
        likely = [hit.role, *likely][:N_LIKELY]
    return pick_row(hit) | {"likely": likely}

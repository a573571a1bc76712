"""Uncertain roles, confirmed by ear in short rounds, the most telling answers first."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import streamlit as st

from catalog.catalog import Catalog
from catalog.models import ROLES, UNSURE_CONFIDENCE, Hit, RoleSource
from catalog.search.roles.questions import RoleQuestion
from catalog.web.labels import count_of
from catalog.web.payloads import pick_row
from catalog.web.state import page
from catalog.web.tab import tab
from catalog.web.views.component import mount_audition

PER_ROUND = 12  # questions; a round takes about a minute
N_LIKELY = 4  # most likely roles, each with a key
MAX_PLAYED = 12  # other hits of a group that can be played; the answer counts for all


def unsure_hits(hits: Sequence[Hit], misnamed: Sequence[int] = ()) -> list[Hit]:
    """Return the hits with an uncertain, unconfirmed role, the least certain first.

    Those whose names contradict their sounds, by their ids, are among them.
    """
    doubted = set(misnamed)
    found = [
        h
        for h in hits
        if h.role_source != RoleSource.USER
        and (h.role_confidence < UNSURE_CONFIDENCE or h.id in doubted)
    ]
    return sorted(found, key=lambda hit: (hit.role_confidence, hit.id))


def find_unsure(catalog: Catalog) -> list[Hit]:
    """Return the hits of the page whose role is to be confirmed, see `unsure_hits`."""
    return unsure_hits(page().hits(), [doubt.hit_id for doubt in catalog.roles.doubts()])


def draw_role_review(catalog: Catalog) -> None:
    """Draw one round of questions; it stays the same until the next round is requested."""
    unsure = find_unsure(catalog)
    questions = _round_questions(catalog, unsure)
    if not questions:
        return
    asked = {hit_id for question in questions for hit_id in question.hit_ids}
    st.caption(
        f"{count_of(len(unsure), 'hit')} with an uncertain role. First come the answers that "
        "decide most other hits; each answer updates these."
    )
    mount_audition(
        "role_review",
        {
            "round": tab().role_round,
            "questions": [_describe(catalog, question) for question in questions],
            "left": sum(hit.id not in asked for hit in unsure),
        },
        on_more_change=_start_next_round,
        on_answered_change=_renew_counts,
    )


def _renew_counts() -> None:
    """Do nothing: the run that calls this draws the counts anew."""


def _start_next_round() -> None:
    tab().role_round += 1
    tab().role_questions = None


def _round_questions(catalog: Catalog, unsure: Sequence[Hit]) -> list[RoleQuestion]:
    """Return the questions of this round; they are chosen once, so that answers do not reorder it.

    The least certain hits follow what is worth asking.
    """
    found = tab().role_questions
    here = {hit.id for hit in page().hits()}
    if found is None or not all(here.issuperset(question.hit_ids) for question in found):
        found = catalog.roles.questions(PER_ROUND)
        asked = {hit_id for question in found for hit_id in question.hit_ids}
        rest = [hit for hit in unsure if hit.id not in asked][: PER_ROUND - len(found)]
        found = [*found, *(_ask_alone(catalog, hit) for hit in rest)]
        tab().role_round += 1
    tab().role_questions = found
    return found


def _ask_alone(catalog: Catalog, hit: Hit) -> RoleQuestion:
    chances = catalog.annotations.role_probabilities([hit.id])[0]
    best = np.argsort(-chances, kind="stable")[:N_LIKELY]
    shares = tuple(float(chances[k]) for k in best)
    return RoleQuestion(hit.id, (hit.id,), tuple(ROLES[k] for k in best), shares, 0)


def _describe(catalog: Catalog, question: RoleQuestion) -> dict[str, object]:
    hit, *others = [catalog.hit(hit_id) for hit_id in question.hit_ids]
    likely = list(question.likely)
    if hit.role_source != RoleSource.USER and hit.role not in likely:  # by its name, or by examples
        likely = [hit.role, *likely][:N_LIKELY]
    group = [other.id for other in others]
    played = [pick_row(other) for other in others[:MAX_PLAYED]]
    why = "; ".join(catalog.roles.reason(hit.id).reasons)
    return pick_row(hit) | {"likely": likely, "group": group, "others": played, "why": why}

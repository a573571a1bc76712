"""Names are trusted as far as those of their folder fit clear sounds."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.models import ROLES, Role, RoleSource
from catalog.search.roles.known import CERTAIN, NAME_RIGHT, KnownHits
from catalog.search.roles.names import find_doubts, folder_reliability

OPEN, CLOSED = ROLES.index(Role.HAT_OPEN), ROLES.index(Role.HAT_CLOSED)


def make_known(roles, *, sources=None, folders=None, confidence=0.9, drums=None):
    n = len(roles)
    return KnownHits(
        np.arange(1, n + 1),
        np.array(roles),
        np.array(sources or [RoleSource.NAME] * n),
        np.full(n, confidence),
        tuple(folders or ["kit"] * n),
        tuple(drums or [None] * n),
        (None,) * n,
        np.zeros(n, bool),
    )


def chances_of(*roles, share=0.97):
    rest = (1 - share) / (len(ROLES) - 1)
    return np.where(np.eye(len(ROLES), dtype=bool)[list(roles)], share, rest)


def test_a_name_that_contradicts_its_sound_is_found_with_what_its_folder_shows():
    known = make_known([CLOSED] * 10)
    (doubt,) = find_doubts(known, chances_of(*[CLOSED] * 9, OPEN))
    assert (doubt.hit_id, doubt.named, doubt.heard) == (10, "hat_closed", "hat_open")
    assert (doubt.share, doubt.n_fitting, doubt.n_clear) == (0.97, 9, 10)


def test_a_sound_that_is_not_clear_contradicts_no_name():
    assert not find_doubts(make_known([CLOSED]), chances_of(OPEN, share=0.7))


def test_a_role_that_the_user_set_is_never_doubted():
    known = make_known([CLOSED], sources=[RoleSource.USER])
    assert not find_doubts(known, chances_of(OPEN))


def test_names_of_a_folder_with_many_errors_count_less_than_those_of_another():
    folders = ["good"] * 10 + ["bad"] * 10
    known = make_known([CLOSED] * 20, folders=folders)
    chances = chances_of(*[CLOSED] * 10, *[OPEN] * 6, *[CLOSED] * 4)
    reliability = folder_reliability(known, chances)
    assert reliability == {"bad": pytest.approx(24 / 30)}


def test_the_certainty_of_a_role_follows_its_source_its_folder_and_the_clearness_of_the_name():
    sources = [RoleSource.USER, RoleSource.NAME]
    known = make_known([CLOSED] * 2, sources=sources)
    assert known.certainty() == pytest.approx([CERTAIN, NAME_RIGHT])
    vague = make_known([CLOSED] * 2, sources=sources, confidence=0.45).certainty()
    assert vague[0] == CERTAIN
    assert vague[1] < 0.85


def test_examples_are_those_of_the_user_then_one_of_each_drum():
    sources = [RoleSource.NAME] * 4 + [RoleSource.USER, RoleSource.SOUND]
    drums = [("a",), ("a",), ("b",), ("b",), None, None]
    known = make_known([CLOSED] * 6, sources=sources, drums=drums)
    assert known.examples().rows.tolist() == [4, 0, 2, 1, 3]

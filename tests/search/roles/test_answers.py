"""A role that the user sets shows which other hits followed it."""

from __future__ import annotations

import pytest

from catalog.search.roles.answers import RoleAnswer, RoleShift


def shifts(n, role, *, first=1):
    return tuple(RoleShift(k, "snare", role) for k in range(first, first + n))


@pytest.mark.parametrize(
    ("followed", "text"),
    [
        ((), "no other role has changed"),
        (shifts(1, "clap"), "1 more hit is now clap (1)"),
        (shifts(7, "sidestick"), "7 more hits are now sidestick (1, 2, 3, 4, 5 and 2 more)"),
        (
            shifts(1, "clap") + shifts(2, "wood", first=5),
            "2 more hits are now wood (5, 6); 1 more hit is now clap (1)",
        ),
    ],
)
def test_an_answer_counts_the_hits_by_their_new_role(followed, text):
    assert str(RoleAnswer("sidestick", followed)) == text

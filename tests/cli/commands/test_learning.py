"""Commands about what the library suggests: what is printed after a drum was named."""

from __future__ import annotations

from catalog.cli.learning import roles_hint
from tests.library.review.test_coverage import make_hit


def test_hits_of_a_named_drum_with_another_role_are_named_with_the_command_that_sets_it():
    roles = ("shaker", "other", "hat_closed")
    hits = [make_hit(n, f"z{n}", role=role) for n, role in enumerate(roles, start=7)]
    assert roles_hint("shaker", hits[:1]) == ""
    text = "2 hits have another role; `catalog role shaker 8 9` gives all of them one"
    assert roles_hint("shaker", hits) == text

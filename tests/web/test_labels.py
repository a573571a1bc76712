from __future__ import annotations

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from catalog.kit.slots import SLOTS
from catalog.models import ROLES
from catalog.search.constraints import CONSTRAINT_WORDS
from catalog.web.labels import (
    CONSTRAINT_PAIRS,
    REGION_WORDS,
    ROLE_WORDS,
    count_of,
    inert,
    name_folders,
    plain,
    slot_word,
)


def test_characters_that_reverse_or_hide_text_become_a_dot():
    assert plain("a\u202egnp\u2066.\u200bexe\nb\x00") == "a·gnp·.·exe·b·"


def test_accents_and_other_scripts_are_kept():
    assert plain("Trömmel été 太鼓 тарелка") == "Trömmel été 太鼓 тарелка"


def test_markdown_is_escaped():
    assert inert("<b> [x](y) :red[z] $a$") == r"\<b\> \[x\]\(y\) \:red\[z\] \$a\$"


@given(st.text())
def test_every_markdown_character_is_escaped(text):
    shown = inert(text)
    for at, sign in enumerate(shown):
        if sign in "<>[]$`*_":
            before = shown[:at]
            assert (len(before) - len(before.rstrip("\\"))) % 2 == 1


def test_every_role_and_slot_has_a_word():
    assert set(ROLE_WORDS) == set(REGION_WORDS) == set(ROLES)
    assert slot_word("tom_low") == "Low tom"
    assert len({slot_word(slot) for slot in SLOTS}) == len(SLOTS)


def test_counts_take_the_plural():
    assert count_of(1, "hit") == "1 hit"
    assert count_of(1200, "hit") == "1,200 hits"


def test_each_constraint_is_offered_once():
    offered = [word for pair in CONSTRAINT_PAIRS for word in pair]
    assert sorted(offered) == sorted(CONSTRAINT_WORDS)


def test_folders_of_one_name_are_told_apart_by_those_above_them():
    folders = [Path(p) for p in ("/a/barn/kicks", "/a/attic/kicks", "/a/snares", "/b/attic/kicks")]
    names = name_folders(folders)
    assert list(names.values()) == ["barn/kicks", "a/attic/kicks", "snares", "b/attic/kicks"]
    assert name_folders([Path("/kicks"), Path("/x/kicks")])[Path("/x/kicks")] == "x/kicks"
    assert name_folders([]) == {}

"""The table of descriptors is consistent, and commands read it without numpy."""

from __future__ import annotations

import subprocess
import sys

from catalog.cli.selection import NUMBER_WORDS
from catalog.features.descriptors.table import DESCRIPTORS, LEVEL_UNITS
from catalog.search.constraints import parse_constraints

MODULES = ("catalog.features.descriptors.table", "catalog.cli.selection")


def test_no_name_and_no_word_is_used_twice_even_as_an_option():
    names, words = ({getattr(d, part) for d in DESCRIPTORS} for part in ("name", "word"))
    assert len(names) == len(words) == len(DESCRIPTORS)
    assert len({word.replace("_", "-") for word in NUMBER_WORDS}) == len(NUMBER_WORDS)


def test_the_unit_is_the_end_of_the_name():
    endings = {"s": "_s", "Hz": "_hz", "LKFS": "_lkfs", "dB": "_db", "dBFS": "_db"}
    for d in DESCRIPTORS:
        assert d.name.endswith(endings.get(d.unit, "")), d.name
        assert d.unit in endings or not d.name.endswith(tuple(endings.values())), d.name


def test_levels_and_numbers_that_can_be_0_change_by_a_difference():
    for d in DESCRIPTORS:
        if d.unit in LEVEL_UNITS or d.is_linear:
            (constraint,) = parse_constraints({d.name: 0.25}, {d.name: 0.0})
            assert constraint.step == 0.25


def test_commands_read_the_table_without_numpy():
    code = f"import sys, {', '.join(MODULES)}; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

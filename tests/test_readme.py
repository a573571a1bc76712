"""What README.md shows is what the commands print."""

from __future__ import annotations

import re
import shlex

import numpy as np
import pytest

from catalog.cli.parser import make_parser
from tests.walk import INDENT, LEFT_OUT, README, demo_folder, mask, run, steps_of

TEXT = README.read_text("utf-8")
AWAY = 0.05  # numbers may be off by this share: processors round differently


@pytest.mark.slow
def test_the_walk_prints_what_is_shown():
    with demo_folder() as folder:
        for step in steps_of(TEXT):
            printed = [mask(line) for line in run(step.command, store=folder / "walk.sqlite")]
            for line in step.shown:
                if line != LEFT_OUT:
                    words, numbers = mask(line)
                    near = [n for w, n in printed if w == words and len(n) == len(numbers)]
                    assert any(np.allclose(n, numbers, rtol=AWAY, atol=1.0) for n in near), line


def test_all_other_commands_are_understood():
    lines = re.findall(rf"^{INDENT}\.venv/bin/catalog (.*)$", TEXT, re.MULTILINE)
    assert len(lines) > 5
    for line in lines:
        assert make_parser().parse_args(shlex.split(line)).verb == line.split()[0]


def test_every_verb_is_told_of():
    verbs = make_parser()._subparsers._group_actions[0].choices
    untold = [verb for verb in verbs if not re.search(rf"`{verb}\b|catalog {verb}\b", TEXT)]
    assert not untold

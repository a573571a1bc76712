"""Every promise in the guide to files names a test that exists."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from catalog.guide import read_guide

ROOT = Path(__file__).resolve().parents[2]
HEADING = "## The promises, and the tests that hold them"
ROW = re.compile(r"^\| (?P<promise>[^|`]+) \| `(?P<file>[^`|]+)` \| `(?P<test>[^`|]+)` \|$", re.M)
SUBJECTS = (  # each of them has a row
    "deletes or changes", "killed", "full disk", "failing disk", "two programs", "hostile",
    "memory", "unplugged", "loss of the store", "damaged store", "exported", "annotations",
    "ctrl+c", "only your browser", "another machine",
)  # fmt: skip


def promises() -> list[re.Match[str]]:
    _, _, part = read_guide("files").partition(HEADING)
    lines = [line for line in part.splitlines() if line.startswith("| ")][1:]  # without the header
    rows = list(ROW.finditer(part))
    assert len(rows) == len(lines)
    return rows


def test_each_promise_names_a_test_that_exists():
    for row in promises():
        path = ROOT / row["file"]
        assert path.is_file(), row[0]
        tree = ast.parse(path.read_text(encoding="utf-8"))
        functions = [node.name for node in tree.body if isinstance(node, ast.FunctionDef)]
        assert row["test"] in functions, row[0]
        assert row["test"].startswith("test_")


def test_every_subject_has_a_promise():
    text = [row["promise"].lower() for row in promises()]
    assert [s for s in SUBJECTS if not any(s in promise for promise in text)] == []

"""Copies in the demo library against its truth table; no model was fitted on it."""

from __future__ import annotations

import csv

import pytest

from catalog import Catalog
from tests.walk import ROOT, demo_folder

TRUTH = (ROOT / "demo_library" / "truth.csv").read_text("utf-8").splitlines()
ORIGIN = {row["path"]: row["copy_of"] for row in csv.DictReader(TRUTH)}


def recording_of(path: str) -> str:
    while ORIGIN[path]:
        path = ORIGIN[path]
    return path


@pytest.mark.slow
def test_every_copy_is_found_and_no_two_strokes_are_grouped():
    with demo_folder() as folder, Catalog.open(folder / "demo.sqlite") as cat:
        root = folder / "recordings"
        cat.scan([root])
        names = {hit.id: hit.path.relative_to(root).as_posix() for hit in cat.hits()}
        groups = [[names[i] for i in group.members] for group in cat.copies()]
    mixed = [group for group in groups if len(set(map(recording_of, group))) > 1]
    assert not mixed
    found = {name for group in groups for name in group}
    assert {name for name in names.values() if ORIGIN[name]} <= found

"""Several processes at one store: no annotation is lost, and none fails on a lock."""

from __future__ import annotations

import subprocess
import sys

import pytest

from catalog import Catalog

N_ROUNDS = 150
SCAN = """
import os, sys
from pathlib import Path
from catalog import Catalog
with Catalog.open(sys.argv[1]) as cat:
    for n in range(20):
        for path in Path(sys.argv[2]).rglob("*.wav"):
            os.utime(path, ns=(n, n))  # so that the file is read again
        cat.scan([sys.argv[2]], n_jobs=1)
"""
ANNOTATE = """
import sys
from catalog import Catalog
user, n_rounds = sys.argv[3], int(sys.argv[4])
with Catalog.open(sys.argv[1]) as cat:
    ids = [hit.id for hit in cat.hits()]
    for n in range(n_rounds):
        cat.annotations.annotate([ids[n % len(ids)]], add=[f"{user}{n}"])
"""


@pytest.mark.slow
def test_two_scans_and_two_users_at_one_store_lose_no_tag(tmp_path, library):
    store_path = tmp_path / "drums.sqlite"
    with Catalog.open(store_path) as cat:
        cat.scan([library], n_jobs=1)
    runs = [
        subprocess.Popen(
            [sys.executable, "-c", code, store_path, library, user, str(N_ROUNDS)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        for code, user in ((SCAN, ""), (SCAN, ""), (ANNOTATE, "a"), (ANNOTATE, "b"))
    ]
    for run in runs:
        assert run.communicate() == (b"", b"")
        assert run.returncode == 0
    with Catalog.open(store_path) as cat:
        tags = [tag for hit in cat.hits() for tag in hit.tags]
        assert sorted(tags) == sorted(f"{user}{n}" for user in "ab" for n in range(N_ROUNDS))
        assert len(cat.hits()) == 40

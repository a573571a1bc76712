"""The map is computed in the background when many hits have no place on it."""

from __future__ import annotations

import sys
import time

import numpy as np

from catalog.search.layout import Layout, fill_ground
from catalog.web.server import map_job
from catalog.web.state import page
from tests.web.conftest import WAIT_S

PROGRESS = "comparing:  45%|####      | 9/20"
# Stores a map of the hits of a store, as the computation does at its end.
STORE = """import time, numpy, sys, catalog
time.sleep(1)
with catalog.Catalog.open(sys.argv[1]) as cat:
    ids = numpy.array([hit.id for hit in cat.hits()])
    xy = numpy.random.default_rng(0).normal(size=(len(ids), 2)).astype('f4')
    cat.context.store.layouts.save(ids, xy, kind='umap', seed=0)"""


def describe() -> str:
    return page().map_job.describe(page().catalog, page().points().ids)


def test_a_provisional_map_is_replaced_by_what_another_process_has_stored(own, monkeypatch):
    assert describe() == "provisional map, for few hits"
    assert map_job.map_command(own.store)[-3:] == ["--store", str(own.store), "map"]
    script = f"import sys\nprint({PROGRESS!r}, file=sys.stderr, flush=True)\n{STORE}"
    monkeypatch.setattr(map_job, "MIN_HITS", 20)
    monkeypatch.setattr(
        map_job, "map_command", lambda store: [sys.executable, "-c", script, str(store)]
    )
    before = page().points().version
    assert describe() == "provisional map; a better one is computed"
    end, texts = time.monotonic() + WAIT_S, set()
    while text := describe():
        texts.add(text)
        assert time.monotonic() < end
        time.sleep(0.05)
    assert "provisional map; a better one is computed (comparing 45 %)" in texts
    assert page().catalog.map.layout().kind == "umap"
    assert page().points().version != before


def test_a_provisional_map_fills_its_ground_by_ranks_and_another_one_stays():
    xy = np.array([[0.0, 0.0], [0.01, 0.2], [0.02, 0.1], [1.0, 1.0]], np.float32)
    filled = fill_ground(Layout(np.arange(4), xy, "pca"))
    np.testing.assert_allclose(filled[:, 0], [-1.0, -1 / 3, 1 / 3, 1.0], atol=1e-6)
    np.testing.assert_allclose(filled[:, 1], [-1.0, 1 / 3, -1 / 3, 1.0], atol=1e-6)
    assert fill_ground(Layout(np.arange(4), xy, "umap")) is xy

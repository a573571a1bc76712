"""Copies of some hits are found without comparing others, and are those of the full search."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from catalog import Catalog
from catalog.duplicates import cached
from catalog.duplicates.asked import near_rows
from catalog.duplicates.pairs.decider import PairDecider
from catalog.errors import Stopped
from catalog.search.spaces import Spaces

LIBRARY = Path(__file__).parents[2] / "demo_library"


@pytest.fixture(scope="module")
def scanned(tmp_path_factory):
    """Return a store of the demo library, in which nothing was compared."""
    store = tmp_path_factory.mktemp("asked") / "demo.sqlite"
    with Catalog.open(store) as cat:
        cat.scan([LIBRARY / "loft_2024", LIBRARY / "for_mixing"])
    return store


@pytest.fixture
def demo(tmp_path, scanned):
    shutil.copy(scanned, tmp_path / "demo.sqlite")
    with Catalog.open(tmp_path / "demo.sqlite") as cat:
        yield cat


def without_shares(groups):
    """Return groups without the shares in common, which batches round otherwise."""
    return [(group.keep, group.others, group.reason, group.likely) for group in groups]


def test_the_copies_of_some_hits_are_those_of_the_search_through_all(demo, tmp_path, scanned):
    shutil.copy(scanned, tmp_path / "fresh.sqlite")
    everything = demo.duplicates.groups()
    with Catalog.open(tmp_path / "fresh.sqlite") as fresh:
        for group in everything[:4]:
            for hit_id in group.members[:2]:
                found = fresh.duplicates.groups_of([hit_id])
                assert without_shares(found) == without_shares([group])
        copies = {hit_id for group in everything for hit_id in group.members}
        others = [hit.id for hit in fresh.hits() if hit.id not in copies]
        assert fresh.duplicates.groups_of(others[:40]) == []
        found = fresh.duplicates.groups_of(copies)
        assert without_shares(found) == without_shares(everything)


def test_only_pairs_that_hold_an_asked_hit_or_its_copy_are_decided(demo, monkeypatch):
    asked, made = demo.hits(name="clap")[0].id, []
    decide = PairDecider.decide_many

    def note(self, pairs):
        made.extend(pairs)
        return decide(self, pairs)

    monkeypatch.setattr(PairDecider, "decide_many", note)
    found = demo.duplicates.related(asked)
    copies = {asked} | {relation.hit_id for relation in found if relation.kind == "copy"}
    assert len(copies) > 1
    assert all(copies & {first.id, second.id} for first, second in made)
    assert len(made) < 60


def test_a_search_that_is_stopped_goes_on_from_there(demo, monkeypatch):
    def stop(progress):
        if progress.done == 100:
            raise Stopped("enough")

    with pytest.raises(Stopped):
        demo.copies(stop)
    (known,) = demo.context.store.database.read("SELECT count(*) FROM decision")[0]
    hashes = [hit.content_hash for hit in demo.hits(microphones=True)]
    n_equal = len(hashes) - len(set(hashes))  # pairs of equal files, the nearest of all pairs
    assert (n_equal, known) == (1, 100 - n_equal)  # equal bytes are no decision to keep
    judged = []

    def note(pairs, **_options):
        judged.append(len(pairs))
        return iter(())  # the pairs are then decided one by one

    monkeypatch.setattr(cached, "classify_many", note)
    totals = []
    demo.copies(lambda progress: totals.append(progress.total))
    assert 0 < judged[0] <= totals[0] - 100


def test_progress_goes_on_while_groups_are_verified(demo):
    steps = []
    demo.copies(lambda progress: steps.append((progress.done, progress.total)))
    ends = [at for at, (done, total) in enumerate(steps) if done == total]
    assert len(ends) > 2  # pairs, then which was made first, then members against the kept hit


@pytest.mark.parametrize("n", [1, 5, 70])
def test_the_nearest_rows_of_either_space_are_looked_at(n):
    rng = np.random.default_rng(3)
    points = [rng.normal(size=(300, 8)).astype(np.float32) for _ in range(2)]
    spaces = Spaces(np.arange(300), *points, np.ones((300, 2), np.float32), 1.0)
    asked = rng.choice(300, n, replace=False)
    found = near_rows(spaces, asked)
    for row in asked:
        for part in points:
            distances = ((part - part[row]).astype(float) ** 2).sum(axis=1)
            assert {*np.argsort(distances)[:60]} <= {*found}

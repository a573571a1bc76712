"""Copies of some hits only: they are compared with their nearest hits, and nothing else is."""

from __future__ import annotations

from collections.abc import Collection
from functools import partial

import numpy as np

from catalog.duplicates.cached import make_choice, mix_of, prefer, project_hits
from catalog.duplicates.groups import CopyGroup, Grouping, UncertainPair, group_copies
from catalog.duplicates.keeper import Read
from catalog.duplicates.pairs.decider import PairDecider, Prepare
from catalog.duplicates.pairs.parallel import classify_many
from catalog.duplicates.review import apply_verdicts, undecided_pairs
from catalog.duplicates.strokes import count_strokes_once, uncertain_strokes
from catalog.library.store.records.cache import DecisionCache, OriginCache
from catalog.library.store.store import Store
from catalog.matching.origin.model import ORIGIN_VERSION
from catalog.matching.verdict import CLASSIFIER_VERSION
from catalog.reports import OnProgress, Progress
from catalog.search.spaces import Spaces
from catalog.search.table import HitTable

N_NEAR = 64  # hits looked at for each asked one in each space; see DECISIONS.md
ROWS_AT_ONCE = 64  # of asked hits, 4 bytes for each hit of the library


def find_copies_of(
    store: Store,
    table: HitTable,
    hit_ids: Collection[int],
    prepare: Prepare,
    *,
    read: Read | None = None,
    on_progress: OnProgress | None = None,
) -> Grouping:
    """Find the groups of copies and the undecided pairs that some hits are in.

    The decisions about pairs are stored, so that the search through all hits continues from them;
    see `catalog.duplicates.cached.find_copies` for the parameters.
    """
    asked = [table.rows[hit_id] for hit_id in hit_ids if hit_id in table.rows]
    rows = near_rows(table.spaces, asked)
    hits = table.hits.at(rows)
    decisions = DecisionCache.read_of(store.database, hits, version=CLASSIFIER_VERSION)
    origins = OriginCache(store.database, version=ORIGIN_VERSION)
    choice = make_choice(store, read, origins)

    def on_pair(n_done: int, n_pairs: int) -> None:
        if on_progress is not None:
            on_progress(Progress("comparing", n_done, n_pairs))

    try:
        grouping = group_copies(
            hits,
            project_hits(store, table.hit_ids[rows]),
            PairDecider(prepare, decisions, partial(classify_many, mix_of=partial(mix_of, store))),
            choice=choice,
            on_pair=on_pair,
            asked=np.flatnonzero(np.isin(rows, asked)).tolist(),
        )
    finally:
        decisions.write(store.database, version=CLASSIFIER_VERSION)
    by_id, verdicts = {hit.id: hit for hit in hits}, store.pair_answers.read()
    groups = apply_verdicts(grouping, by_id, verdicts, choice=choice)
    pairs = undecided_pairs(Grouping(groups, grouping.uncertain), by_id, verdicts)
    groups = prefer(groups, by_id, store, prepare)
    origins.write()
    return _of_hits(groups, pairs, set(hit_ids))


def find_strokes_of(
    store: Store,
    table: HitTable,
    hit_ids: Collection[int],
    prepare: Prepare,
    *,
    read: Read | None = None,
    on_progress: OnProgress | None = None,
) -> Grouping:
    """Find what `find_copies_of` does for all microphones of some hits, counted by stroke.

    `table` has each microphone of a stroke as a row.
    """
    asked = {mic.hit_id for hit in store.hits.read_ids([*hit_ids]) for mic in hit.microphones}
    near = find_copies_of(
        store, table, asked.union(hit_ids), prepare, read=read, on_progress=on_progress
    )
    ids = {i for group in near.groups for i in group.members}
    ids |= {i for pair in near.uncertain for i in (pair.first, pair.second)}
    companions = {m.hit_id for hit in store.hits.read_ids([*ids]) for m in hit.microphones}
    hits = {hit.id: hit for hit in store.hits.read_ids([*(ids | companions)])}
    verdicts, preferred = store.pair_answers.read(), store.pair_answers.read_preferred()
    return Grouping(
        count_strokes_once(near.groups, hits, verdicts, preferred=preferred),
        uncertain_strokes(near.uncertain, hits, verdicts),
    )


def _of_hits(groups: list[CopyGroup], pairs: list[UncertainPair], ids: set[int]) -> Grouping:
    """Return only what holds an asked hit: other groups and pairs may be incomplete."""
    return Grouping(
        [group for group in groups if ids & {*group.members}],
        [pair for pair in pairs if ids & {pair.first, pair.second}],
    )


def near_rows(spaces: Spaces, asked: Collection[int]) -> np.ndarray:
    """Return some rows and those nearest to them in either space, ascending; int, shape (n,).

    Copies are among them: edits move a hit little in both spaces.
    """
    rows, found = np.array(sorted(asked), int), [np.array(sorted(asked), int)]
    for points, power in (
        (spaces.strokes, spaces.stroke_squares),
        (spaces.acoustic, spaces.acoustic_squares),
    ):
        for at in range(0, len(rows), ROWS_AT_ONCE):
            part = points[rows[at : at + ROWS_AT_ONCE]]
            squared = power - 2.0 * (part @ points.T)  # less the power of the row itself
            n = min(N_NEAR, squared.shape[1])
            found.append(np.argpartition(squared, n - 1, axis=1)[:, :n].ravel())
    return np.unique(np.concatenate(found))

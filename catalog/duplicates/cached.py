"""Copies from the store and the samples, then as the user heard them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from catalog.duplicates.groups import (
    UNSURE,
    CopyGroup,
    Decider,
    group_copies,
    groups_from_rows,
    groups_to_rows,
)
from catalog.duplicates.parallel import classify_many
from catalog.duplicates.review import Doubt, apply_preference, apply_verdicts, open_doubts
from catalog.errors import ParameterError
from catalog.library.files.overrides import read_override
from catalog.library.store.decisions import DecisionCache
from catalog.library.store.store import Store
from catalog.matching.candidates import project_embeddings
from catalog.matching.classifier import CLASSIFIER_VERSION
from catalog.matching.views import ChannelViews
from catalog.models import Hit, OnProgress, Progress, Verdict
from catalog.search.table import HitTable

Prepare = Callable[[Hit], ChannelViews | None]
PAIRS_AT_ONCE = 4096  # written to the store at once
ROWS_AT_ONCE = 4096  # embeddings read at once, 4 kB each


def find_copies(
    store: Store, table: HitTable, prepare: Prepare, on_progress: OnProgress | None = None
) -> list[CopyGroup]:
    """Find all groups, once for each state of the library, and apply what the user said.

    Parameters
    ----------
    store : Store
    table : HitTable
    prepare : callable, gives a hit ready to be compared, None if its samples are gone
    on_progress : callable, optional

    Returns
    -------
    list of CopyGroup, in the order of the ids kept
    """
    groups, doubts = _from_samples(store, table, prepare, on_progress)
    hits = {hit.id: hit for hit in table.hits}
    groups = apply_verdicts(groups, doubts, hits, store.pair_answers.read())
    preferred = set(store.pair_answers.read_preferred())
    if not preferred:
        return groups

    decider = Decider(prepare, DecisionCache.read(store.database, version=CLASSIFIER_VERSION))

    def verify(first: Hit, second: Hit) -> float | None:
        decision = decider.decide(first, second)
        return decision.share if decision.answer == Verdict.COPY else None

    chosen = [apply_preference(group, hits, preferred, verify) for group in groups]
    return sorted((group for group in chosen if group.others), key=lambda group: group.keep)


def find_doubts(store: Store, table: HitTable, prepare: Prepare) -> list[Doubt]:
    """Find the pairs that the samples leave open and that nobody has decided yet.

    Parameters
    ----------
    store, table, prepare : see `find_copies`

    Returns
    -------
    list of Doubt, the likeliest copies first
    """
    groups, doubts = _from_samples(store, table, prepare, None)
    hits, verdicts = {hit.id: hit for hit in table.hits}, store.pair_answers.read()
    return open_doubts(doubts, apply_verdicts(groups, doubts, hits, verdicts), hits, verdicts)


def keep_instead(store: Store, groups: Sequence[CopyGroup], hit: Hit) -> None:
    """Remember that a hit is to stay instead of the one that its group proposes.

    Parameters
    ----------
    store : Store
    groups : sequence of CopyGroup
    hit : Hit

    Raises
    ------
    ParameterError
        if the hit is in no group
    """
    for group in groups:
        members = {group.keep, *group.others}
        if hit.id in members:
            store.pair_answers.prefer(hit.id, over=members - {hit.id})
            return
    raise ParameterError(f"hit {hit.id} ({hit.name}) is in no group of copies")


def _from_samples(
    store: Store, table: HitTable, prepare: Prepare, on_progress: OnProgress | None
) -> tuple[list[CopyGroup], list[Doubt]]:
    """Groups and open pairs as the samples say; remembered for what the library holds."""
    saved = store.group_cache.read()
    if saved is not None and saved[1] == _key(table):
        rows = saved[0]
        unsure = [(a, b, e) for a, others in rows for b, what, e in others if what == UNSURE]
        groups = groups_from_rows(rows, {hit.id: hit for hit in table.hits})
        return groups, [Doubt(*one) for one in unsure]
    tell = on_progress or (lambda _: None)
    doubts: list[Doubt] = []
    decisions = DecisionCache.read(store.database, version=CLASSIFIER_VERSION)

    def mix_of(hit: Hit) -> str:
        return read_override(store, hit.content_hash).mix if hit.n_channels > 1 else ""

    def on_pair(done: int, total: int) -> None:
        if done % PAIRS_AT_ONCE == 0:  # a run that is stopped goes on from here
            decisions.write(store.database, version=CLASSIFIER_VERSION)
        tell(Progress("comparing", done, total))

    groups = group_copies(
        table.hits,
        _points(store, table),
        prepare,
        decisions=decisions,
        classify_many=partial(classify_many, mix_of=mix_of),
        on_pair=on_pair,
        on_doubt=lambda a, b, evidence: doubts.append(Doubt(a, b, evidence)),
    )
    decisions.write(store.database, version=CLASSIFIER_VERSION)
    open_pairs = [(d.first, ((d.second, UNSURE, d.evidence),)) for d in doubts]
    store.group_cache.save([*groups_to_rows(groups), *open_pairs], key=_key(table))
    return groups, doubts


def _points(store: Store, table: HitTable) -> np.ndarray:
    """Place all hits in the space of candidates, few embeddings at a time."""
    ids = table.spaces.hit_ids
    parts = [
        project_embeddings(store.hits.embeddings(ids[at : at + ROWS_AT_ONCE]))
        for at in range(0, len(ids), ROWS_AT_ONCE)
    ]
    return np.concatenate(parts) if parts else np.zeros((0, 1), np.float32)


def _key(table: HitTable) -> int:
    """Digest of what groups depend on: the sound, the judge, and marks; 63 bits for SQLite."""
    marks = [(hit.id, hit.mark) for hit in table.hits if hit.mark]
    digest = hashlib.sha256(repr((table.content_key, CLASSIFIER_VERSION, marks)).encode())
    return int.from_bytes(digest.digest()[:8], "big") >> 1

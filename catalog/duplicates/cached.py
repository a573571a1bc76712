"""Groups of copies, cached in the store and adjusted to the user's verdicts and preferences."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import partial

import numpy as np

from catalog.duplicates.groups import (
    CopyGroup,
    Grouping,
    PairDecider,
    Prepare,
    UncertainPair,
    group_copies,
    make_group,
)
from catalog.duplicates.pairs.parallel import classify_many
from catalog.duplicates.review import apply_preference, apply_verdicts, undecided_pairs
from catalog.errors import ParameterError
from catalog.library.store.database import digest_to_key
from catalog.library.store.records.cache import CachedGroup, DecisionCache
from catalog.library.store.store import Store
from catalog.library.takes.overrides import read_override
from catalog.matching.candidates import project_embeddings
from catalog.matching.verdict import CLASSIFIER_VERSION
from catalog.models import Hit, OnProgress, Progress, Verdict
from catalog.search.table import HitTable

PAIRS_PER_COMMIT = 4096
BATCH_ROWS = 4096  # embeddings read at once, 4 kB each
COPY_RELATION, UNCERTAIN_RELATION = "copy", "unsure"  # as stored


def find_copies(
    store: Store, table: HitTable, prepare: Prepare, *, on_progress: OnProgress | None = None
) -> list[CopyGroup]:
    """Find all groups of copies and apply the user's verdicts and preferences.

    The comparison of the samples is cached until the library changes.

    Parameters
    ----------
    prepare : callable, returns the samples of a hit ready to be compared, None if unavailable
    on_progress : callable, optional, called with `Progress` records of step "comparing"

    Returns
    -------
    list of CopyGroup, ordered by `keep`
    """
    grouping = _cached_grouping(store, table, prepare, on_progress=on_progress)
    hits = {hit.id: hit for hit in table.hits}
    groups = apply_verdicts(grouping, hits, store.pair_answers.read())
    preferred = set(store.pair_answers.read_preferred())
    if not preferred:
        return groups

    decider = PairDecider(prepare, DecisionCache.read(store.database, version=CLASSIFIER_VERSION))

    def verify(first: Hit, second: Hit) -> float | None:
        decision = decider.decide(first, second)
        return decision.share if decision.answer == Verdict.COPY else None

    preferred_groups = [apply_preference(group, hits, preferred, verify=verify) for group in groups]
    return sorted(
        (group for group in preferred_groups if group.others), key=lambda group: group.keep
    )


def find_uncertain_pairs(store: Store, table: HitTable, prepare: Prepare) -> list[UncertainPair]:
    """Find the pairs that the classifier is not sure of and that have no verdict yet.

    The likeliest copies come first; see `find_copies` for the parameters.
    """
    grouping = _cached_grouping(store, table, prepare)
    hits, verdicts = {hit.id: hit for hit in table.hits}, store.pair_answers.read()
    groups = apply_verdicts(grouping, hits, verdicts)
    return undecided_pairs(Grouping(groups, grouping.uncertain), hits, verdicts)


def prefer_in_group(store: Store, groups: Sequence[CopyGroup], hit: Hit) -> None:
    """Store the user's preference for a hit over the other members of its group.

    Raise `ParameterError` if the hit is in no group, or is a file of an exported kit and its
    original is in the group.
    """
    for group in groups:
        if hit.id in group.members:
            if hit.exported and not store.hits.get(group.keep).exported:
                kit = store.exports.kit_of(hit.content_hash)
                raise ParameterError(
                    f"hit {hit.id} ({hit.name}) is a file of the exported kit “{kit}”: the "
                    f"original, hit {group.keep}, stays"
                )
            store.pair_answers.prefer(hit.id, over=set(group.members) - {hit.id})
            return
    raise ParameterError(f"hit {hit.id} ({hit.name}) is in no group of copies")


def _cached_grouping(
    store: Store, table: HitTable, prepare: Prepare, *, on_progress: OnProgress | None = None
) -> Grouping:
    """Return the groups by the classifier, from the cache if the library has not changed."""
    cached = store.group_cache.read()
    if cached is not None and cached[1] == _cache_key(table):
        return _from_rows(cached[0], {hit.id: hit for hit in table.hits})
    decisions = DecisionCache.read(store.database, version=CLASSIFIER_VERSION)

    def mix_of(hit: Hit) -> str:
        return read_override(store, hit.content_hash).mix if hit.n_channels > 1 else ""

    def on_pair(n_done: int, n_pairs: int) -> None:
        if n_done % PAIRS_PER_COMMIT == 0:  # an interrupted run continues from here
            decisions.write(store.database, version=CLASSIFIER_VERSION)
        if on_progress is not None:
            on_progress(Progress("comparing", n_done, n_pairs))

    decider = PairDecider(prepare, decisions, partial(classify_many, mix_of=mix_of))
    grouping = group_copies(table.hits, _project_all(store, table), decider, on_pair=on_pair)
    decisions.write(store.database, version=CLASSIFIER_VERSION)
    store.group_cache.save(_to_rows(grouping), key=_cache_key(table))
    return grouping


def _project_all(store: Store, table: HitTable) -> np.ndarray:
    """Project all embeddings for the candidate search, in batches to save memory."""
    ids = table.spaces.hit_ids
    parts = [
        project_embeddings(store.hits.embeddings(ids[start : start + BATCH_ROWS]))
        for start in range(0, len(ids), BATCH_ROWS)
    ]
    return np.concatenate(parts) if parts else np.zeros((0, 1), np.float32)


def _cache_key(table: HitTable) -> int:
    """Return a digest of everything that determines the groups; 63 bits fit an SQLite integer."""
    marks = [(hit.id, hit.mark) for hit in table.hits if hit.mark]
    exported = [hit.id for hit in table.hits if hit.exported]
    parts = (table.content_key, CLASSIFIER_VERSION, marks, *([exported] if exported else []))
    digest = hashlib.sha256(repr(parts).encode())
    return digest_to_key(digest.digest())


def _to_rows(grouping: Grouping) -> list[CachedGroup]:
    groups: list[CachedGroup] = [
        (g.keep, tuple((i, COPY_RELATION, e) for i, e in zip(g.others, g.evidence, strict=True)))
        for g in grouping.groups
    ]
    return groups + [
        (pair.first, ((pair.second, UNCERTAIN_RELATION, pair.evidence),))
        for pair in grouping.uncertain
    ]


def _from_rows(rows: Sequence[CachedGroup], hits: dict[int, Hit]) -> Grouping:
    groups, uncertain = [], []
    for first, others in rows:
        copies = [(hits[i], share) for i, kind, share in others if kind == COPY_RELATION]
        if copies:
            groups.append(make_group(hits[first], copies))
        pairs = [(i, share) for i, kind, share in others if kind == UNCERTAIN_RELATION]
        uncertain += [UncertainPair(first, i, share) for i, share in pairs]
    return Grouping(groups, uncertain)

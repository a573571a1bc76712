"""Groups of copies, cached in the store and adjusted to the user's verdicts and preferences."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from functools import partial

import numpy as np

from catalog.duplicates.groups import (
    CopyGroup,
    Grouping,
    Proof,
    UncertainPair,
    group_copies,
)
from catalog.duplicates.keeper import KeeperChoice, Read
from catalog.duplicates.pairs.decider import PairDecider, Prepare
from catalog.duplicates.pairs.kept import FOLDERS, UNCERTAIN_RELATION, read_folders
from catalog.duplicates.pairs.parallel import classify_many, compare_origins
from catalog.duplicates.review import apply_preference, apply_verdicts, undecided_pairs
from catalog.errors import ParameterError
from catalog.library.scan.processes.cluster import Cluster
from catalog.library.store.acts.summaries import describe_hits
from catalog.library.store.database import digest_to_key
from catalog.library.store.records.cache import CachedGroup, DecisionCache, OriginCache
from catalog.library.store.store import Store
from catalog.library.takes.overrides import read_override
from catalog.matching.candidates import project_embeddings
from catalog.matching.origin.model import ORIGIN_VERSION
from catalog.matching.verdict import CLASSIFIER_VERSION
from catalog.models import Hit, Verdict
from catalog.reports import OnProgress, Progress
from catalog.search.table import HitTable

PAIRS_PER_COMMIT = 4096
BATCH_ROWS = 4096  # embeddings read at once, 4 kB each
COPY_RELATION, LIKELY_RELATION = "copy", "likely"  # as stored: a certain copy, a likely one


def find_copies(
    store: Store,
    table: HitTable,
    prepare: Prepare,
    *,
    read: Read | None = None,
    on_progress: OnProgress | None = None,
    on_partial: Callable[[list[CopyGroup]], None] | None = None,
    cluster: Cluster | None = None,
) -> list[CopyGroup]:
    """Find all groups of copies and apply the user's verdicts and preferences.

    The comparison of the samples is cached until the library changes.

    Parameters
    ----------
    prepare : callable, returns the samples of a hit ready to be compared, None if unavailable
    read : callable, optional, returns the samples of a hit as they are, None if unavailable
    on_progress : callable, optional, called with `Progress` records of step "comparing"
    on_partial : callable, optional, called a few times with the groups found so far
    cluster : Cluster, optional, whose workers compare the hits

    Returns
    -------
    list of CopyGroup, ordered by `keep`
    """
    origins = OriginCache(store.database, version=ORIGIN_VERSION)
    choice = make_choice(store, read, origins, cluster=cluster)
    hits = {hit.id: hit for hit in table.hits}

    def adjust(grouping: Grouping) -> list[CopyGroup]:
        groups = apply_verdicts(grouping, hits, store.pair_answers.read(), choice=choice)
        return prefer(groups, hits, store, prepare)

    grouping = _cached_grouping(
        store, table, prepare, choice=choice, on_progress=on_progress, cluster=cluster,
        on_partial=None if on_partial is None else lambda found: on_partial(adjust(found)),
    )  # fmt: skip
    groups = adjust(grouping)
    origins.write()
    return groups


def make_choice(
    store: Store, read: Read | None, origins: OriginCache, *, cluster: Cluster | None = None
) -> KeeperChoice:
    """Return the choice of the hit to keep, with the folders that the user prefers."""
    compare = partial(compare_origins, mix_of=partial(mix_of, store), cluster=cluster)
    return KeeperChoice(read, origins, read_folders(store), compare)


def mix_of(store: Store, hit: Hit) -> str:
    """Return how the channels of a hit are mixed."""
    return read_override(store, hit.content_hash).mix if hit.n_channels > 1 else ""


def prefer(
    groups: list[CopyGroup], hits: Mapping[int, Hit], store: Store, prepare: Prepare
) -> list[CopyGroup]:
    """Keep the hits that the user prefers, each if it is verified to be a copy."""
    preferred = set(store.pair_answers.read_preferred())
    if not preferred:
        return groups

    decider = PairDecider(prepare, DecisionCache.read(store.database, version=CLASSIFIER_VERSION))

    def verify(first: Hit, second: Hit) -> Proof | None:
        decision = decider.decide(first, second)
        return Proof.from_decision(decision) if decision.answer == Verdict.COPY else None

    preferred_groups = [apply_preference(group, hits, preferred, verify=verify) for group in groups]
    return sorted(
        (group for group in preferred_groups if group.others), key=lambda group: group.keep
    )


def find_uncertain_pairs(
    store: Store, table: HitTable, prepare: Prepare, *, read: Read | None = None
) -> list[UncertainPair]:
    """Find the pairs that the classifier is not sure of and that have no verdict yet.

    The likeliest copies come first; see `find_copies` for the parameters.
    """
    choice = make_choice(store, read, OriginCache(store.database, version=ORIGIN_VERSION))
    grouping = _cached_grouping(store, table, prepare, choice=choice)
    hits, verdicts = {hit.id: hit for hit in table.hits}, store.pair_answers.read()
    groups = apply_verdicts(grouping, hits, verdicts, choice=choice)
    return undecided_pairs(Grouping(groups, grouping.uncertain), hits, verdicts)


def prefer_in_groups(store: Store, groups: Sequence[CopyGroup], hits: Sequence[Hit]) -> None:
    """Store the user's preference for hits, each over the other members of its group.

    Raise `ParameterError`, before anything is stored, if a hit is in no group or is a file of an
    exported kit and its original is in the group, or if two hits are in one group.
    """
    group_of = {hit_id: group for group in groups for hit_id in group.members}
    chosen: dict[int, Hit] = {}  # by the kept hit of their group
    for hit in hits:
        group = group_of.get(hit.id)
        if group is None:
            raise ParameterError(f"hit {hit.id} ({hit.name}) is in no group of copies")
        if (other := chosen.setdefault(group.keep, hit)).id != hit.id:
            raise ParameterError(f"hits {other.id} and {hit.id} are copies; keep one of them")
        if hit.exported and not store.hits.get(group.keep).exported:
            kit = store.exports.kit_of(hit.content_hash)
            raise ParameterError(
                f"hit {hit.id} ({hit.name}) is a file of the exported kit “{kit}”: the "
                f"original, hit {group.keep}, stays"
            )
    with store.act("keep", describe_hits(store.database, [hit.id for hit in hits])):
        for hit in hits:
            store.pair_answers.prefer(hit.id, over={*group_of[hit.id].members} - {hit.id})


def _cached_grouping(
    store: Store,
    table: HitTable,
    prepare: Prepare,
    *,
    choice: KeeperChoice,
    on_progress: OnProgress | None = None,
    on_partial: Callable[[Grouping], None] | None = None,
    cluster: Cluster | None = None,
) -> Grouping:
    """Return the groups by the classifier, from the cache if the library has not changed."""
    cached, key = store.group_cache.read(), _cache_key(store, table)
    if cached is not None and cached[1] == key:
        return _from_rows(cached[0])
    decisions = DecisionCache.read(store.database, version=CLASSIFIER_VERSION)

    def on_pair(n_done: int, n_pairs: int) -> None:
        if n_done % PAIRS_PER_COMMIT == 0:  # an interrupted run continues from here
            decisions.write(store.database, version=CLASSIFIER_VERSION)
        if on_progress is not None:
            on_progress(Progress("comparing", n_done, n_pairs))

    classify = partial(classify_many, mix_of=partial(mix_of, store), cluster=cluster)
    decider = PairDecider(prepare, decisions, classify)
    points = project_hits(store, table.hit_ids)
    try:
        grouping = group_copies(
            list(table.hits), points, decider, choice=choice, on_pair=on_pair, on_partial=on_partial
        )
    finally:  # also of an interrupted run
        decisions.write(store.database, version=CLASSIFIER_VERSION)
    store.group_cache.save(_to_rows(grouping), key=key)
    return grouping


def project_hits(store: Store, ids: np.ndarray) -> np.ndarray:
    """Project the embeddings of hits for the candidate search, in batches to save memory."""
    parts = [
        project_embeddings(store.hits.embeddings(ids[start : start + BATCH_ROWS]))
        for start in range(0, len(ids), BATCH_ROWS)
    ]
    return np.concatenate(parts) if parts else np.zeros((0, 1), np.float32)


def _cache_key(store: Store, table: HitTable) -> int:
    """Return a digest of everything that determines the groups; 63 bits fit an SQLite integer."""
    marks = [(hit.id, hit.mark) for hit in table.hits if hit.mark]
    exported = [hit.id for hit in table.hits if hit.exported]
    folders = store.database.read_setting(FOLDERS, [])
    versions = CLASSIFIER_VERSION, ORIGIN_VERSION
    parts = (table.content_key, versions, marks, exported, folders)
    digest = hashlib.sha256(repr(parts).encode())
    return digest_to_key(digest.digest())


def _to_rows(grouping: Grouping) -> list[CachedGroup]:
    groups: list[CachedGroup] = [(g.keep, _relations(g), g.reason) for g in grouping.groups]
    return groups + [
        (pair.first, ((pair.second, UNCERTAIN_RELATION, pair.evidence),), "")
        for pair in grouping.uncertain
    ]


def _relations(group: CopyGroup) -> tuple[tuple[int, str, float], ...]:
    pairs = zip(group.others, group.proofs, strict=True)
    return tuple(
        (hit_id, COPY_RELATION if proof.is_certain else LIKELY_RELATION, proof.share)
        for hit_id, proof in pairs
    )


def _from_rows(rows: Sequence[CachedGroup]) -> Grouping:
    groups, uncertain = [], []
    for first, others, reason in rows:
        copies = {
            i: Proof(share, kind == COPY_RELATION)
            for i, kind, share in sorted(others)
            if kind != UNCERTAIN_RELATION
        }
        if copies:
            groups.append(CopyGroup.from_proofs(first, copies, reason))
        pairs = [(i, share) for i, kind, share in others if kind == UNCERTAIN_RELATION]
        uncertain += [UncertainPair(first, i, share) for i, share in pairs]
    return Grouping(groups, uncertain)

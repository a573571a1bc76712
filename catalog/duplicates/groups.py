"""Copies: the same recording twice. Neighbours propose, the samples decide, one hit is kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass

import numpy as np

from catalog.duplicates.preference import keep_order, keep_reason
from catalog.library.store.decisions import Decision, DecisionCache
from catalog.library.store.group_cache import CachedGroup
from catalog.matching.candidates import find_candidate_pairs, order_pairs
from catalog.matching.verdict import Classification, classify_pair
from catalog.matching.views import ChannelViews
from catalog.models import Hit, Verdict

__all__ = ["CopyGroup", "Decider", "group_copies", "keep_order", "keep_reason"]

MAX_PREPARED = 1024  # hits kept ready at once, about 230 kB each and three times that in stereo
MOST_LOGIT = 99.0  # what a sure answer is kept as: JSON and SQLite hold no infinity alike
ClassifyMany = Callable[[Sequence[tuple[Hit, Hit]]], Iterator[Classification | None]]
UNSURE = "unsure"  # the relation under which the store keeps pairs that are left open


@dataclass(frozen=True)
class CopyGroup:
    """One recording that is there more than once.

    Attributes
    ----------
    keep : int, id of the hit proposed to be kept
    others : tuple of int, ids of its copies, each verified against `keep`
    evidence : tuple of float, one for each of `others`
        share of the sound that the two have in common, 0 to 1; 1.0 for equal bytes
    reason : str, why that one is kept, such as "kept: 24-bit, 0.8 s more tail"
    """

    keep: int
    others: tuple[int, ...]
    evidence: tuple[float, ...]
    reason: str


def group_copies(
    hits: Sequence[Hit],
    points: np.ndarray,
    prepare: Callable[[Hit], ChannelViews | None],
    *,
    decisions: DecisionCache | None = None,
    classify_many: ClassifyMany | None = None,
    on_pair: Callable[[int, int], None] | None = None,
    on_doubt: Callable[[int, int, float], None] | None = None,
) -> list[CopyGroup]:
    """Find all groups.

    Parameters
    ----------
    hits : sequence of Hit
    points : np.ndarray, shape (n_hits, n_dims), see `candidates.project_embeddings`
    prepare : callable, gives the samples of a hit ready to be judged, None if they are gone
    decisions : DecisionCache, optional, from before; those made now are added
    classify_many : callable, optional, judges pairs in order, see `catalog.duplicates.parallel`
    on_pair : callable, told the number of pairs done and of all pairs
    on_doubt : callable, told two ids and the evidence where the samples leave it open

    Returns
    -------
    list of CopyGroup, in the order of the ids kept
    """
    decider = Decider(prepare, decisions, classify_many)
    pairs = order_pairs(find_candidate_pairs(points), len(points)).tolist()
    found, maybe = _same_bytes(hits), []
    answers = decider.decide_each([(hits[a], hits[b]) for a, b in pairs])
    for done, ((a, b), decision) in enumerate(zip(pairs, answers, strict=True)):
        if decision.answer == Verdict.COPY:
            found.append((a, b))
        elif decision.answer != Verdict.OTHER:
            maybe.append((hits[a].id, hits[b].id, decision.share))
        if on_pair is not None:
            on_pair(done + 1, len(pairs))
    groups = []
    for rows in _connected(found):
        groups += _verified_groups([hits[row] for row in rows], decider)
    if on_doubt is not None:
        for doubt in maybe:
            on_doubt(*doubt)
    return sorted(groups, key=lambda group: group.keep)


def _same_bytes(hits: Sequence[Hit]) -> list[tuple[int, int]]:
    """Chain hits of equal content and region: each with the first of them."""
    first: dict[tuple[str, int, int], int] = {}
    pairs = []
    for row, hit in enumerate(hits):
        at = first.setdefault(_region(hit), row)
        if at != row:
            pairs.append((at, row))
    return pairs


def _region(hit: Hit) -> tuple[str, int, int]:
    return hit.content_hash, hit.start, hit.stop


class Decider:
    """Answers for pairs of hits: from equal bytes, from before, or from the samples.

    Parameters
    ----------
    prepare : callable, gives the samples of a hit ready to be judged, None if they are gone
    decisions : DecisionCache, optional
    classify_many : callable, optional, takes over where many pairs are asked at once
    """

    def __init__(
        self,
        prepare: Callable[[Hit], ChannelViews | None],
        decisions: DecisionCache | None = None,
        classify_many: ClassifyMany | None = None,
    ) -> None:
        self.decisions = decisions if decisions is not None else DecisionCache()
        self._prepare = prepare
        self._classify_many = classify_many
        self._kept: dict[int, ChannelViews | None] = {}

    def decide(self, first: Hit, second: Hit) -> Decision:
        """Decide on one pair."""
        known = self._known(first, second)
        if known is not None:
            return known
        a, b = self._ready(first), self._ready(second)
        return self._keep(first, second, None if a is None or b is None else classify_pair(a, b))

    def decide_each(self, pairs: Sequence[tuple[Hit, Hit]]) -> Iterator[Decision]:
        """Decide on many pairs, in order."""
        if self._classify_many is None:
            yield from (self.decide(*pair) for pair in pairs)
            return
        known = [self._known(*pair) for pair in pairs]
        judged = self._classify_many(
            [p for p, found in zip(pairs, known, strict=True) if not found]
        )
        for pair, found in zip(pairs, known, strict=True):
            if found is None:
                try:
                    found = self._keep(*pair, next(judged))
                except BrokenProcessPool:  # out of memory, mostly: one after the other, then
                    judged, found = iter(()), self.decide(*pair)
                except StopIteration:
                    found = self.decide(*pair)
            yield found

    def _known(self, first: Hit, second: Hit) -> Decision | None:
        if _region(first) == _region(second):
            return Decision(Verdict.COPY, 1.0, MOST_LOGIT)
        return self.decisions.get(first, second)

    def _keep(self, first: Hit, second: Hit, judged: Classification | None) -> Decision:
        if judged is None:
            return Decision(
                Verdict.OTHER, 0.0, -MOST_LOGIT
            )  # not remembered: the file may come back
        logit = min(max(float(judged.logit), -MOST_LOGIT), MOST_LOGIT)
        decision = Decision(judged.verdict, judged.share, logit)
        self.decisions.add(first, second, decision)
        return decision

    def _ready(self, hit: Hit) -> ChannelViews | None:
        if hit.id not in self._kept:
            if len(self._kept) >= MAX_PREPARED:
                self._kept.pop(next(iter(self._kept)))
            self._kept[hit.id] = self._prepare(hit)
        return self._kept[hit.id]


def _connected(found: Iterable[tuple[int, int]]) -> list[list[int]]:
    """Sets of rows that hang together by pairs."""
    parent: dict[int, int] = {}

    def root(row: int) -> int:
        while parent.setdefault(row, row) != row:
            parent[row] = parent[parent[row]]
            row = parent[row]
        return row

    for a, b in found:
        parent[root(b)] = root(a)
    sets: dict[int, list[int]] = {}
    for row in sorted(parent):
        sets.setdefault(root(row), []).append(row)
    return list(sets.values())


def _verified_groups(hits: Sequence[Hit], decider: Decider) -> list[CopyGroup]:
    """Split a set so that each member is verified against the one that is kept."""
    groups = []
    left = sorted(hits, key=keep_order)
    while len(left) > 1:
        keep, rest = left[0], left[1:]
        answers = [(hit, decider.decide(keep, hit)) for hit in rest]
        members = [(hit, found.share) for hit, found in answers if found.answer == Verdict.COPY]
        if members:
            members.sort(key=lambda member: member[0].id)
            others = [hit for hit, _ in members]
            shares = tuple(share for _, share in members)
            ids = tuple(hit.id for hit in others)
            groups.append(CopyGroup(keep.id, ids, shares, keep_reason(keep, others)))
        left = [hit for hit, found in answers if found.answer != Verdict.COPY]
    return groups


def groups_to_rows(groups: Sequence[CopyGroup]) -> list[CachedGroup]:
    """Turn groups into what the store keeps; the reason is made anew from the hits."""
    return [
        (g.keep, tuple((o, "copy", e) for o, e in zip(g.others, g.evidence, strict=True)))
        for g in groups
    ]


def groups_from_rows(rows: Sequence[CachedGroup], hits: Mapping[int, Hit]) -> list[CopyGroup]:
    """Turn what the store kept back into groups."""
    groups = []
    for keep, others in rows:
        others = tuple(other for other in others if other[1] != UNSURE)
        ids = tuple(other for other, _, _ in others)
        if not ids:
            continue
        reason = keep_reason(hits[keep], [hits[i] for i in ids])
        groups.append(CopyGroup(keep, ids, tuple(e for _, _, e in others), reason))
    return groups

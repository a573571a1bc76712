"""Groups of copies: neighbors in the embedding are compared, and the samples decide each pair."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from catalog.duplicates.keeper import KeeperChoice
from catalog.duplicates.pairs.decider import PairDecider, content_key
from catalog.library.store.records.cache import Decision
from catalog.matching.candidates import find_candidate_pairs, order_pairs
from catalog.matching.verdict import CERTAIN_LOGIT
from catalog.models import Certainty, Hit, Verdict

N_PARTS = 4  # of the first comparison, before each of which what was found is reported
# Of the first comparison, the nearest pairs come first: two thirds of the copies are among them,
# and an eighth more hits are decoded than in one order over all pairs.
NEAREST_SHARE = 0.02


class Proof(NamedTuple):
    """What shows that one hit is a copy of another."""

    share: float  # of the energy that they have in common, 0 to 1; 1.0 for equal bytes
    is_certain: bool = True  # see `Certainty`

    @classmethod
    def from_decision(cls, decision: Decision) -> Proof:
        """Return the proof in a decision for "copy"."""
        return cls(decision.share, decision.logit >= CERTAIN_LOGIT)


@dataclass(frozen=True)
class CopyGroup:
    """One recording that is in the library more than once."""

    keep: int  # id of the hit to keep
    others: tuple[int, ...]  # ids of its copies, each verified against `keep`
    # for each of `others`, the share of energy that it has in common with `keep`, 0 to 1
    evidence: tuple[float, ...]  # 1.0 for equal bytes
    reason: str  # why that hit is kept, such as "kept: 24-bit, 0.8 s more tail"
    likely: tuple[int, ...] = ()  # those of `others` that are likely, not certain copies

    @property
    def members(self) -> tuple[int, ...]:
        """Ids of all hits of the group, the kept one first."""
        return (self.keep, *self.others)

    @property
    def certainty(self) -> Certainty:
        """The lowest certainty among the copies."""
        return Certainty.LIKELY if self.likely else Certainty.CERTAIN

    @property
    def proofs(self) -> tuple[Proof, ...]:
        """What shows that each of `others` is a copy."""
        shares = zip(self.others, self.evidence, strict=True)
        return tuple(Proof(share, hit_id not in self.likely) for hit_id, share in shares)

    @classmethod
    def from_proofs(cls, keep: int, proofs: Mapping[int, Proof], reason: str) -> CopyGroup:
        """Make a group from the proof for each copy, by its id."""
        evidence = tuple(proof.share for proof in proofs.values())
        likely = tuple(hit_id for hit_id, proof in proofs.items() if not proof.is_certain)
        return cls(keep, tuple(proofs), evidence, reason, likely)


@dataclass(frozen=True)
class UncertainPair:
    """Two hits that may be one recording; the classifier is not sure."""

    first: int  # id
    second: int  # id
    evidence: float  # share of the energy that they have in common, 0 to 1
    certainty: Certainty = Certainty.DOUBT


@dataclass(frozen=True)
class Grouping:
    """All groups, ordered by `keep`, and all uncertain pairs."""

    groups: list[CopyGroup]
    uncertain: list[UncertainPair]


def group_copies(
    hits: Sequence[Hit],
    points: np.ndarray,
    decider: PairDecider,
    *,
    choice: KeeperChoice | None = None,
    on_pair: Callable[[int, int], None] | None = None,
    on_partial: Callable[[Grouping], None] | None = None,
    asked: Collection[int] | None = None,
) -> Grouping:
    """Find all groups of copies.

    Hits that stay are compared again among themselves until no copy is left: with the copies away,
    the nearest neighbors of a hit are others than before.

    Parameters
    ----------
    points : np.ndarray, shape (n_hits, n_dims)
        see `catalog.matching.candidates.project_embeddings`
    choice : KeeperChoice, optional, which hit of a group is kept; by default without its samples
    on_pair : callable, optional, called with the number of finished pairs and the total
    on_partial : callable, optional, called a few times with what was found so far
    asked : collection of int, optional
        rows; only they and their copies are compared with others, so that the groups and pairs that
        they are in are complete
    """
    choice = choice or KeeperChoice()

    def found_so_far() -> None:
        if on_partial is not None:
            groups = _form_groups(hits, search.copies, decider, choice=choice)
            on_partial(Grouping(groups, list(search.uncertain)))

    search = _PairSearch(hits, decider, on_pair, found_so_far if on_partial else None)
    groups: list[CopyGroup] = []
    rows = np.arange(len(hits))
    while search.add_pairs(_touching(rows[_candidates(points[rows])], asked, search.copies)):
        groups = _form_groups(hits, search.copies, decider, choice=choice, on_pair=on_pair)
        dropped = {hit_id for group in groups for hit_id in group.others}
        rows = np.array([row for row, hit in enumerate(hits) if hit.id not in dropped], int)
    return Grouping(groups, search.uncertain)


def _touching(
    pairs: np.ndarray, asked: Collection[int] | None, copies: Sequence[tuple[int, int]]
) -> np.ndarray:
    """Return the pairs, shape (n, 2), that hold an asked row or a copy of one."""
    if asked is None:
        return pairs
    reached = set(asked).union(*(part for part in _components(copies) if {*part} & {*asked}))
    return np.asarray(pairs[np.isin(pairs, list(reached)).any(axis=1)])


def _form_groups(
    hits: Sequence[Hit],
    copies: Sequence[tuple[int, int]],
    decider: PairDecider,
    *,
    choice: KeeperChoice,
    on_pair: Callable[[int, int], None] | None = None,
) -> list[CopyGroup]:
    """Return the groups that pairs of rows form, ordered by the hit that is kept.

    Each connected component is split so that each member is verified against the hit that is kept;
    those that are not are grouped among themselves.
    """
    from threadpoolctl import threadpool_limits

    groups: list[CopyGroup] = []
    waiting = [[hits[row] for row in members] for members in _components(copies)]
    with threadpool_limits(1):  # many short products, which threads only slow down
        while waiting:
            choice.compare(waiting, on_pair)
            ordered = [choice.order(members) for members in waiting]
            pairs = [(keep, other) for keep, *others in ordered for other in others]
            decisions = iter(_decide_all(decider, pairs, on_pair))
            waiting = []
            for keep, *others in ordered:
                decided = [(hit, next(decisions)) for hit in others]
                proofs = [
                    (hit, Proof.from_decision(decision))
                    for hit, decision in decided
                    if decision.answer == Verdict.COPY
                ]
                if proofs:
                    groups.append(make_group(keep, proofs, choice))
                rest = [hit for hit, decision in decided if decision.answer != Verdict.COPY]
                if len(rest) > 1:
                    waiting.append(rest)
    return sorted(groups, key=lambda group: group.keep)


def _decide_all(
    decider: PairDecider,
    pairs: Sequence[tuple[Hit, Hit]],
    on_pair: Callable[[int, int], None] | None,
) -> list[Decision]:
    decisions = []
    for n_done, decision in enumerate(decider.decide_many(pairs), start=1):
        decisions.append(decision)
        if on_pair is not None:
            on_pair(n_done, len(pairs))
    return decisions


def _candidates(points: np.ndarray) -> np.ndarray:
    """Return pairs of rows: the nearest ones first, each part so that few hits are cached."""
    pairs = find_candidate_pairs(points)
    parts = np.split(pairs, [_n_nearest(len(pairs))])
    return np.concatenate([order_pairs(part, len(points)) for part in parts])


def _n_nearest(n_pairs: int) -> int:
    return int(NEAREST_SHARE * n_pairs)


class _PairSearch:
    """Pairs of rows that were decided, each once."""

    def __init__(
        self,
        hits: Sequence[Hit],
        decider: PairDecider,
        on_pair: Callable[[int, int], None] | None,
        on_part: Callable[[], None] | None = None,
    ) -> None:
        self.copies = _equal_pairs(hits)
        self.uncertain: list[UncertainPair] = []
        self._hits, self._decider, self._on_pair = hits, decider, on_pair
        self._decided: set[tuple[int, int]] = set()
        self._is_first, self._on_part = True, on_part

    def add_pairs(self, pairs: np.ndarray) -> bool:
        """Decide on pairs of rows, shape (n, 2); return whether groups have to be formed again."""
        hits, n_known = self._hits, len(self.copies)
        new = [(a, b) for a, b in pairs.tolist() if (min(a, b), max(a, b)) not in self._decided]
        self._decided.update((min(pair), max(pair)) for pair in new)
        decisions = self._decider.decide_many([(hits[a], hits[b]) for a, b in new])
        parts = {len(new) * k // N_PARTS for k in range(N_PARTS)} if self._is_first else set()
        parts |= {_n_nearest(len(new))} if self._is_first else set()
        for n_done, ((a, b), decision) in enumerate(zip(new, decisions, strict=True), start=1):
            if self._on_part is not None and n_done - 1 in parts:
                self._on_part()
            if decision.answer == Verdict.COPY:
                self.copies.append((a, b))
            elif decision.answer != Verdict.OTHER:
                self.uncertain.append(UncertainPair(hits[a].id, hits[b].id, decision.share))
            if self._on_pair is not None:
                self._on_pair(n_done, len(new))
        is_first, self._is_first = self._is_first, False
        return len(self.copies) > n_known or (is_first and bool(self.copies))


def _equal_pairs(hits: Sequence[Hit]) -> list[tuple[int, int]]:
    """Pair each hit with the first one of equal bytes and region."""
    first_rows: dict[tuple[object, ...], int] = {}
    rows = [first_rows.setdefault(content_key(hit), row) for row, hit in enumerate(hits)]
    return [(first, row) for row, first in enumerate(rows) if first != row]


def equal_keepers(hits: Sequence[Hit], choice: KeeperChoice) -> dict[int, int]:
    """Return the id of the hit that is kept, for each other hit of equal bytes and region."""
    same: dict[tuple[object, ...], list[Hit]] = {}
    for hit in hits:
        same.setdefault(content_key(hit), []).append(hit)
    kept: dict[int, int] = {}
    for members in same.values():
        if len(members) > 1:
            keep, *others = choice.order(members)
            kept |= dict.fromkeys((hit.id for hit in others), keep.id)
    return kept


def _components(pairs: Sequence[tuple[int, int]]) -> list[list[int]]:
    """Return the connected components of a graph, given by its edges."""
    if not pairs:
        return []
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    rows, nodes = np.unique(np.array(pairs), return_inverse=True)
    first, second = nodes.reshape(-1, 2).T
    graph = coo_array((np.ones(len(first), bool), (first, second)), shape=(len(rows), len(rows)))
    n, labels = connected_components(graph, directed=False)
    by_label = rows[np.argsort(labels, kind="stable")]
    ends = np.cumsum(np.bincount(labels, minlength=n))
    return [part.tolist() for part in np.split(by_label, ends[:-1])]


def make_group(
    keep: Hit, copies: Sequence[tuple[Hit, Proof]], choice: KeeperChoice | None = None
) -> CopyGroup:
    """Make a group with its reason; `copies` are hits with their proofs, at least one."""
    copies = sorted(copies, key=lambda copy: copy[0].id)
    reason = (choice or KeeperChoice()).reason(keep, [hit for hit, _ in copies])
    return CopyGroup.from_proofs(keep.id, {hit.id: proof for hit, proof in copies}, reason)

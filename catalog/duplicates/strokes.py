"""Groups of copies counted by stroke: a stroke with several microphones is one member."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from catalog.duplicates.groups import CopyGroup, Proof, UncertainPair
from catalog.library.store.records.annotations import AnswerByPair, pair_key
from catalog.models import Hit

Proofs = dict[tuple[int, int], Proof]  # by ids of two hits, in both orders
NO_PROOF = Proof(-1.0, is_certain=False)  # less than any other


def count_strokes_once(
    groups: Sequence[CopyGroup],
    hits: Mapping[int, Hit],
    verdicts: AnswerByPair,
    *,
    preferred: Collection[int] = (),
) -> list[CopyGroup]:
    """Return groups of strokes from groups of microphones.

    A stroke is a copy of another if each of its microphones is a copy of one of the other's, or the
    user decided so; so nothing is lost when it is set aside. The stroke that the user prefers is
    kept, else the one with more microphones.

    Parameters
    ----------
    groups : sequence of CopyGroup, of single microphones
    hits : mapping of id to Hit, all microphones
    """
    tied = [group for group in groups if any(hits[i].tied for i in group.members)]
    if not tied:
        return list(groups)
    single = [group for group in groups if not any(hits[i].tied for i in group.members)]
    strokes = _linked_strokes(tied, hits)
    proofs = _pair_proofs(tied)
    reasons = {group.keep: group.reason for group in tied}
    for members in strokes:
        ordered = sorted(members, key=lambda i: (_rank(hits[i], preferred, reasons), i))
        while len(ordered) > 1:
            keep, *rest = ordered
            found = {i: _coverage(hits[keep], hits[i], proofs, verdicts) for i in rest}
            copies = {i: proof for i, proof in sorted(found.items()) if proof is not None}
            if copies:
                reason = _reason(hits[keep], reasons)
                single.append(CopyGroup.from_proofs(keep, copies, reason))
            ordered = [i for i in rest if i not in copies]
    return sorted(single, key=lambda group: group.keep)


def uncertain_strokes(
    pairs: Iterable[UncertainPair], hits: Mapping[int, Hit], verdicts: AnswerByPair
) -> list[UncertainPair]:
    """Return uncertain pairs by stroke, each once, without those that have a verdict."""
    found: dict[frozenset[int], UncertainPair] = {}
    for pair in pairs:
        first, second = hits[pair.first].stroke, hits[pair.second].stroke
        key = frozenset((first, second))
        is_open = (first, second) == (pair.first, pair.second) or (
            pair_key(hits[first], hits[second]) not in verdicts
        )
        if len(key) == 2 and is_open:
            found.setdefault(key, UncertainPair(first, second, pair.evidence))
    return list(found.values())


def _rank(hit: Hit, preferred: Collection[int], kept: Collection[int]) -> tuple[bool, int, bool]:
    """Return the rank of a stroke to be kept, the lowest first."""
    return hit.id not in preferred, -len(hit.microphones), hit.id not in kept


def _linked_strokes(groups: Sequence[CopyGroup], hits: Mapping[int, Hit]) -> list[set[int]]:
    """Return sets of strokes, by the hits that stand for them, that share groups."""
    linked: list[set[int]] = []
    for group in groups:
        members = {hits[i].stroke for i in group.members}
        apart = [other for other in linked if not other & members]
        linked = [*apart, members.union(*(other for other in linked if other & members))]
    return linked


def _pair_proofs(groups: Sequence[CopyGroup]) -> Proofs:
    """Return the proof for each two members of a group; the weaker one of two."""
    proofs: Proofs = {}
    for group in groups:
        own = dict(zip(group.members, (Proof(1.0), *group.proofs), strict=True))
        for a in group.members:
            for b in group.members:
                proofs[a, b] = _weakest((own[a], own[b]))
    return proofs


def _weakest(proofs: Collection[Proof]) -> Proof:
    share = max(0.0, min(proof.share for proof in proofs))
    return Proof(share, all(proof.is_certain for proof in proofs))


def _coverage(keep: Hit, other: Hit, proofs: Proofs, verdicts: AnswerByPair) -> Proof | None:
    """Return the weakest proof for the microphones of `other`; None if one has no copy."""
    ours = [mic.hit_id for mic in keep.microphones]
    best = [
        max((proofs.get((mic.hit_id, i), NO_PROOF) for i in ours), default=NO_PROOF)
        for mic in other.microphones
    ]
    is_same = verdicts.get(pair_key(keep, other))
    if is_same is False or (NO_PROOF in best and not is_same):
        return None
    return Proof(_weakest(best).share) if is_same else _weakest(best)


def _reason(keep: Hit, reasons: Mapping[int, str]) -> str:
    n = len(keep.microphones)
    more = f"{n} microphones" if n > 1 else ""
    reason = reasons.get(keep.id, "")
    if not reason:
        return f"kept: {more}" if more else "kept"
    return f"{reason}, {more}" if more else reason

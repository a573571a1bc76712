"""Groups of copies as the user heard them: pairs joined or parted, another file kept."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from catalog.duplicates.groups import CopyGroup
from catalog.duplicates.preference import keep_order, keep_reason
from catalog.library.store.pair_answers import AnswerByPair, pair_key
from catalog.models import Hit

SAID = "kept: as you said"


@dataclass(frozen=True)
class Doubt:
    """Two hits of which the samples do not say clearly whether they are one recording.

    Attributes
    ----------
    first, second : int, ids
    evidence : float, share of the sound that they have in common, 0 to 1
    """

    first: int
    second: int
    evidence: float


def open_doubts(
    doubts: Sequence[Doubt],
    groups: Sequence[CopyGroup],
    hits: Mapping[int, Hit],
    verdicts: AnswerByPair,
) -> list[Doubt]:
    """Give the doubts that nobody has decided, between hits that are in no group together.

    Parameters
    ----------
    doubts : sequence of Doubt
    groups : sequence of CopyGroup
    hits : mapping of id to Hit, those that are here
    verdicts : mapping, see `catalog.library.store.pair_answers`

    Returns
    -------
    list of Doubt, the likeliest copies first
    """
    group_of = {i: g.keep for g in groups for i in (g.keep, *g.others)}
    others = {i for group in groups for i in group.others}
    found = []
    for doubt in doubts:
        a, b = doubt.first, doubt.second
        if a not in hits or b not in hits or a in others or b in others:
            continue  # one of them is on its way out already
        if group_of.get(a, a) != group_of.get(b, b) and pair_key(hits[a], hits[b]) not in verdicts:
            found.append(doubt)
    return sorted(found, key=lambda doubt: (-doubt.evidence, doubt.first, doubt.second))


def apply_verdicts(
    groups: Sequence[CopyGroup],
    doubts: Sequence[Doubt],
    hits: Mapping[int, Hit],
    verdicts: AnswerByPair,
) -> list[CopyGroup]:
    """Take out of groups what the user parted, and join what the user found to be one.

    Parameters
    ----------
    groups : sequence of CopyGroup
    doubts : sequence of Doubt, the pairs that may have been joined
    hits : mapping of id to Hit
    verdicts : mapping, see `catalog.library.store.pair_answers`

    Returns
    -------
    list of CopyGroup, in the order of the ids kept
    """
    parted = [_part(group, hits, verdicts) for group in groups]
    made = {group.keep: group for group in parted if group.others}
    for doubt in doubts:
        if doubt.first not in hits or doubt.second not in hits:
            continue
        pair = sorted((hits[doubt.first], hits[doubt.second]), key=keep_order)
        if verdicts.get(pair_key(*pair)):
            _join(made, pair[0], pair[1], doubt.evidence, hits)
    return [made[keep] for keep in sorted(made)]


def _part(group: CopyGroup, hits: Mapping[int, Hit], verdicts: AnswerByPair) -> CopyGroup:
    keep = hits[group.keep]
    stays = [
        (i, evidence)
        for i, evidence in zip(group.others, group.evidence, strict=True)
        if verdicts.get(pair_key(keep, hits[i]), True)
    ]
    if len(stays) == len(group.others):
        return group
    return _make(keep, stays, hits)


def _make(keep: Hit, others: list[tuple[int, float]], hits: Mapping[int, Hit]) -> CopyGroup:
    reason = keep_reason(keep, [hits[i] for i, _ in others]) if others else ""
    ids, evidence = tuple(i for i, _ in others), tuple(e for _, e in others)
    return CopyGroup(keep.id, ids, evidence, reason)


def _join(
    made: dict[int, CopyGroup], keep: Hit, other: Hit, evidence: float, hits: Mapping[int, Hit]
) -> None:
    """Add a pair; a hit that goes already, or that others are measured against, is left alone."""
    going = {i for group in made.values() for i in group.others}
    if keep.id in going or other.id in going or other.id in made:
        return
    group = made.get(keep.id)
    before = list(zip(group.others, group.evidence, strict=True)) if group else []
    made[keep.id] = _make(keep, sorted([*before, (other.id, evidence)]), hits)


def apply_preference(
    group: CopyGroup,
    hits: Mapping[int, Hit],
    preferred: Collection[int],
    verify: Callable[[Hit, Hit], float | None],
) -> CopyGroup:
    """Keep the file that the user wants to stay; the others are verified against it anew.

    Parameters
    ----------
    group : CopyGroup
    hits : mapping of id to Hit
    preferred : collection of int, see `catalog.library.store.pair_answers`
    verify : callable
        gives the share of sound that two hits have in common, None if they are not one recording

    Returns
    -------
    CopyGroup
        `group` itself if nothing else is wanted; members that cannot be verified are left out
    """
    if group.keep in preferred:
        return replace(group, reason=SAID)
    wanted = [i for i in group.others if i in preferred]
    if not wanted:
        return group
    keep = hits[wanted[-1]]
    rest = [i for i in (group.keep, *group.others) if i != keep.id]
    known = dict(zip(group.others, group.evidence, strict=True))
    checked = [
        (i, known[keep.id] if i == group.keep else verify(keep, hits[i])) for i in sorted(rest)
    ]
    return replace(_make(keep, [(i, e) for i, e in checked if e is not None], hits), reason=SAID)

"""The user's verdicts by ear on groups of copies: pairs joined or split, another file kept."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace

from catalog.duplicates.groups import CopyGroup, Grouping, Proof, UncertainPair, make_group
from catalog.duplicates.keeper import KeeperChoice
from catalog.library.store.records.annotations import AnswerByPair, pair_key
from catalog.models import Hit

USER_CHOICE = "kept: your choice"


def undecided_pairs(
    grouping: Grouping, hits: Mapping[int, Hit], verdicts: AnswerByPair
) -> list[UncertainPair]:
    """Return the uncertain pairs without a verdict, except copies and pairs within one group.

    `grouping` is that after `apply_verdicts`, `hits` are those in state "here". The likeliest
    copies come first.
    """
    copies = {i for group in grouping.groups for i in group.others}  # proposed for removal anyway
    found = [
        pair
        for pair in grouping.uncertain
        if pair.first in hits
        and pair.second in hits
        and not {pair.first, pair.second} & copies
        and pair_key(hits[pair.first], hits[pair.second]) not in verdicts
    ]
    return sorted(found, key=lambda pair: (-pair.evidence, pair.first, pair.second))


def apply_verdicts(
    grouping: Grouping,
    hits: Mapping[int, Hit],
    verdicts: AnswerByPair,
    *,
    choice: KeeperChoice | None = None,
) -> list[CopyGroup]:
    """Remove members that the user found to be different, and join pairs found to be the same.

    `hits` are those in state "here"; groups are sorted by the ids kept.
    """
    choice = choice or KeeperChoice()
    split = [_split(group, hits, verdicts, choice=choice) for group in grouping.groups]
    groups = {group.keep: group for group in split if group is not None}
    for pair in grouping.uncertain:
        if pair.first not in hits or pair.second not in hits:
            continue
        if verdicts.get(pair_key(hits[pair.first], hits[pair.second])):
            _join(groups, pair, hits, choice=choice)
    return [groups[keep] for keep in sorted(groups)]


def _split(
    group: CopyGroup, hits: Mapping[int, Hit], verdicts: AnswerByPair, *, choice: KeeperChoice
) -> CopyGroup | None:
    keep = hits[group.keep]
    copies = [
        (hits[i], proof)
        for i, proof in zip(group.others, group.proofs, strict=True)
        if verdicts.get(pair_key(keep, hits[i]), True)
    ]
    if len(copies) == len(group.others):
        return group
    return make_group(keep, copies, choice) if copies else None


def _join(
    groups: dict[int, CopyGroup],
    pair: UncertainPair,
    hits: Mapping[int, Hit],
    *,
    choice: KeeperChoice,
) -> None:
    """Add a pair, unless one of them is a copy already or the other is kept in another group."""
    keep, other = choice.order((hits[pair.first], hits[pair.second]))
    copies = {i for group in groups.values() for i in group.others}
    if keep.id in copies or other.id in copies or other.id in groups:
        return
    group = groups.get(keep.id)
    known = zip(group.others, group.proofs, strict=True) if group else ()
    members = [*((hits[i], proof) for i, proof in known), (other, Proof(pair.evidence))]
    groups[keep.id] = make_group(keep, members, choice)


def apply_preference(
    group: CopyGroup,
    hits: Mapping[int, Hit],
    preferred: Collection[int],
    *,
    verify: Callable[[Hit, Hit], Proof | None],
) -> CopyGroup:
    """Keep the file that the user prefers, with the other members verified against it.

    `verify` returns the proof that two hits are copies, None if they are not.
    Without a preference the group itself is returned, and a file of an exported kit is not kept in
    place of an original; members that cannot be verified are left out.
    """
    if group.keep in preferred:
        return replace(group, reason=USER_CHOICE)
    is_export = hits[group.keep].exported  # otherwise no exported file takes its place
    chosen = [i for i in group.others if i in preferred and hits[i].exported <= is_export]
    if not chosen:
        return group
    keep = hits[chosen[-1]]
    known = dict(zip(group.others, group.proofs, strict=True))
    proofs = {
        i: known[keep.id] if i == group.keep else verify(keep, hits[i])
        for i in sorted(set(group.members) - {keep.id})
    }
    copies = {i: proof for i, proof in proofs.items() if proof is not None}
    return CopyGroup.from_proofs(keep.id, copies, USER_CHOICE)

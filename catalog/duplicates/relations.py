"""How one hit belongs to others: copy, same stroke, same drum, alike; each with its evidence."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from catalog.duplicates.groups import CopyGroup
from catalog.duplicates.microphone_ties import StrokeTie
from catalog.models import Hit

KINDS: tuple[str, ...] = ("copy", "same stroke", "same drum", "alike")


@dataclass(frozen=True)
class Relation:
    """What one hit is to another.

    Attributes
    ----------
    hit_id : int, the other one
    kind : str, one of `KINDS`
    evidence : str, in words
    certain : bool
    against : tuple of str, what speaks against it
    """

    hit_id: int
    kind: str
    evidence: str
    certain: bool = True
    against: tuple[str, ...] = ()


def relate_hit(
    hit: Hit,
    hits: Sequence[Hit],
    *,
    groups: Iterable[CopyGroup],
    doubts: Iterable[tuple[int, int, float]],
    ties: Iterable[StrokeTie],
    alike: Iterable[tuple[int, float]],
) -> list[Relation]:
    """List what other hits are to one; each is named once, by its strongest relation.

    Parameters
    ----------
    hit : Hit
    hits : sequence of Hit, all that are here
    groups : iterable of CopyGroup
    doubts : iterable of (hit id, hit id, share in common), pairs that may be one recording
    ties : iterable of StrokeTie
    alike : iterable of (hit id, distance), the nearest first

    Returns
    -------
    list of Relation, in the order of `KINDS`
    """
    found: dict[int, Relation] = {}

    def add(relation: Relation) -> None:
        if relation.hit_id != hit.id:
            found.setdefault(relation.hit_id, relation)

    for group in groups:
        if hit.id in (group.keep, *group.others):
            for other, share in _shares(hit.id, group):
                add(Relation(other, "copy", f"{share:.1%} of the samples in common"))
    for tie in ties:
        if hit.id in tie.hits:
            for other in tie.hits:
                add(Relation(other, "same stroke", tie.evidence, not tie.against, tie.against))
    for first, second, share in doubts:
        if hit.id in (first, second):
            other = second if first == hit.id else first
            evidence = f"{share:.1%} of the samples in common"
            add(Relation(other, "copy", evidence, False, ("the sound leaves it open",)))
    for one in hits:
        if _is_same_drum(hit, one):
            add(Relation(one.id, "same drum", "session, drum and microphone are the same"))
    for hit_id, distance in alike:
        add(Relation(hit_id, "alike", f"distance {distance:.2f}", certain=False))
    return sorted(found.values(), key=lambda relation: KINDS.index(relation.kind))


def _shares(hit_id: int, group: CopyGroup) -> list[tuple[int, float]]:
    """Every member with what it has in common with the hit; through the kept one, the lesser."""
    shares = {group.keep: 1.0, **dict(zip(group.others, group.evidence, strict=True))}
    return [(other, min(share, shares[hit_id])) for other, share in shares.items()]


def _is_same_drum(hit: Hit, other: Hit) -> bool:
    def place(one: Hit) -> tuple[str, ...]:
        return one.session, one.drum.casefold(), one.microphone.casefold(), one.role

    return bool(hit.drum) and place(hit) == place(other)

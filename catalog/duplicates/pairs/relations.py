"""How other hits relate to one: copy, same stroke, same drum or alike, each with its evidence."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from catalog.duplicates.groups import CopyGroup, UncertainPair
from catalog.library.strokes.ties import StrokeTie
from catalog.models import Hit
from catalog.search.spaces import similar_distances
from catalog.search.table import HitTable
from catalog.wording import percent

KINDS: tuple[str, ...] = ("copy", "same stroke", "same drum", "alike")


@dataclass(frozen=True)
class Relation:
    """How one hit relates to another."""

    hit_id: int  # the other one
    kind: str  # one of `KINDS`
    evidence: str  # in words
    certain: bool = True
    against: tuple[str, ...] = ()  # contradictions


def find_relations(
    hit: Hit,
    hits: Sequence[Hit],
    *,
    groups: Iterable[CopyGroup],
    uncertain: Iterable[UncertainPair],
    ties: Iterable[StrokeTie],
    alike: Iterable[tuple[int, float]],
) -> list[Relation]:
    """List the relations of a hit to others, the strongest one for each, in the order of `KINDS`.

    Parameters
    ----------
    hits : sequence of Hit, all in state "here"
    alike : iterable of (hit id, distance), nearest first
    """
    found: dict[int, Relation] = {}
    for relation in (
        *_copies(hit, groups),
        *_same_stroke(hit, ties),
        *_uncertain_copies(hit, uncertain),
        *_same_drum(hit, hits),
        *(Relation(i, "alike", f"distance {far:.2f}", certain=False) for i, far in alike),
    ):
        if relation.hit_id != hit.id:
            found.setdefault(relation.hit_id, relation)
    return sorted(found.values(), key=lambda relation: KINDS.index(relation.kind))


def nearest_alike(table: HitTable, hit_id: int, n: int) -> list[tuple[int, float]]:
    """Return id and distance of the `n` hits that sound most like one, and of itself."""
    if hit_id not in table.rows:
        return []
    distances = similar_distances(table.coordinates.similar, table.rows[hit_id])
    nearest = distances.argsort(kind="stable")[: n + 1]
    return [(int(table.hit_ids[row]), float(distances[row])) for row in nearest]


def _copies(hit: Hit, groups: Iterable[CopyGroup]) -> Iterator[Relation]:
    """List the members of its group; a pair of others shares at least the lesser evidence."""
    for group in groups:
        if hit.id in group.members:
            shares = dict(zip(group.members, (1.0, *group.evidence), strict=True))
            for other, share in shares.items():
                yield Relation(other, "copy", _share_text(min(share, shares[hit.id])))


def _same_stroke(hit: Hit, ties: Iterable[StrokeTie]) -> Iterator[Relation]:
    for tie in ties:
        if hit.id in tie.hits:
            for other in tie.hits:
                yield Relation(other, "same stroke", tie.evidence, not tie.against, tie.against)


def _uncertain_copies(hit: Hit, pairs: Iterable[UncertainPair]) -> Iterator[Relation]:
    for pair in pairs:
        if hit.id in (pair.first, pair.second):
            other = pair.second if pair.first == hit.id else pair.first
            against = ("the samples do not decide it",)
            yield Relation(other, "copy", _share_text(pair.evidence), False, against)


def _same_drum(hit: Hit, hits: Sequence[Hit]) -> Iterator[Relation]:
    if hit.drum:
        drum = _drum_key(hit)
        for other in hits:
            if _drum_key(other) == drum:
                evidence = "same session, drum and microphone"
                yield Relation(other.id, "same drum", evidence)


def _share_text(share: float) -> str:
    return f"{percent(share, 1)} of the samples in common"


def _drum_key(hit: Hit) -> tuple[str, ...]:
    return hit.session, hit.drum.casefold(), hit.microphone.casefold(), hit.role
